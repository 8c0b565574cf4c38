"""Sessions outlive a restart of the daemon: one at night must not leave the control room without its page.

Kept is what opens nothing by itself: the SHA-256 of each session's name, who it belongs to and since when. A
session comes back only for a user who is still exactly as he was at log-in; what ended does not come back.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Literal

import structlog
from pydantic import Field, StringConstraints, ValidationError

from config.base import StrictModel
from daemon.clock import Clock
from daemon.web.access.accounts import User, UserName
from daemon.web.access.principal import Audit
from daemon.web.access.private_file import read_private, replace_private
from daemon.web.access.sessions import Session, Sessions

log = structlog.get_logger(__name__)

ACTIVITY_KEPT_EVERY = 60.0
"""How often it is kept that somebody is active [s]; a session that comes back may end so much earlier."""

_Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
_Moment = Annotated[float, Field(gt=0, lt=1e11, allow_inf_nan=False)]


class KeptSession(StrictModel):
    """One session on the disk; times are POSIX seconds."""

    user: UserName
    digest: _Digest
    address: str
    began: _Moment
    active: _Moment
    stamp: _Digest
    """Of the user's record at log-in."""


class _Kept(StrictModel):
    version: Literal[1] = 1
    sessions: Annotated[tuple[KeptSession, ...], Field(max_length=100_000)] = ()


def stamp_of(user: User) -> str:
    """Return what changes whenever anything about a user does: password, role, existence."""
    return hashlib.sha256(user.model_dump_json().encode()).hexdigest()


class SessionKeeper:
    """Keeps the sessions of one daemon beside its accounts. Files are written on a thread of its own.

    Parameters
    ----------
    path : pathlib.Path
        The file; need not exist yet.
    sessions : Sessions
        What to keep.
    clock : Clock
        Sessions run on its monotonic time, the file holds its wall time.
    audit : Audit
        Told when the file cannot be used.
    """

    def __init__(self, path: Path, sessions: Sessions, clock: Clock, audit: Audit) -> None:
        self._path = path
        self._sessions = sessions
        self._clock = clock
        self._audit = audit
        self._writing = ThreadPoolExecutor(1, "sessions")
        self._kept_at = clock.monotonic()
        self._failing = False

    def restore(self, users: Mapping[str, User]) -> None:
        """Take back what an earlier run of the daemon kept, as far as it is still good."""
        try:
            text = read_private(self._path)
            kept = _Kept.model_validate_json(text).sessions
        except FileNotFoundError:
            return
        except (OSError, ValidationError) as error:
            reason = "does not hold what it should" if isinstance(error, ValidationError) else str(error)
            log.warning("sessions_not_restored", file=str(self._path), reason=reason)
            self._audit("sessions not restored", f"everybody must log in again: {self._path}: {reason}")
            return
        now, wall = self._clock.monotonic(), self._clock.wall()
        for one in kept:
            user = users.get(one.user)
            # A time to come means that the clock was set back since: then no age can be told.
            if user is None or stamp_of(user) != one.stamp or max(one.began, one.active) > wall:
                continue
            began, active = now - (wall - one.began), now - (wall - one.active)
            self._sessions.restore(Session(one.user, one.digest, one.address, began, active, one.stamp), now)

    async def keep(self) -> None:
        """Keep all sessions as they are now; returns when that is durable, or is known to be impossible."""
        await asyncio.wrap_future(self._submit())

    def keep_soon(self) -> None:
        """Keep all sessions as they are now; returns at once."""
        self._submit()

    def keep_activity(self) -> None:
        """Keep that somebody is active, now and then; returns at once."""
        if self._clock.monotonic() - self._kept_at >= ACTIVITY_KEPT_EVERY:
            self._submit()

    def close(self) -> None:
        """Keep all sessions for the next run and let go of the thread."""
        self._submit()
        self._writing.shutdown(wait=True)

    def _submit(self) -> Future[None]:
        self._kept_at, wall = self._clock.monotonic(), self._clock.wall()
        kept = tuple(
            KeptSession(
                user=one.user,
                digest=one.digest,
                address=one.address,
                began=wall - (self._kept_at - one.began),
                active=wall - (self._kept_at - one.active),
                stamp=one.stamp,
            )
            for one in self._sessions.open(self._kept_at)
        )
        return self._writing.submit(self._write, _Kept(sessions=kept).model_dump_json())

    def _write(self, text: str) -> None:
        try:
            replace_private(self._path, text)
        except OSError as error:
            if not self._failing:
                log.error("sessions_not_kept", file=str(self._path), reason=str(error))  # noqa: TRY400 - the reason says it all
            self._failing = True
            self._forget()
        else:
            self._failing = False

    def _forget(self) -> None:
        """Remove the old file: rather no session than one that has ended since."""
        try:
            self._path.unlink(missing_ok=True)
        except OSError as error:
            log.error("old_sessions_stay", file=str(self._path), reason=str(error))  # noqa: TRY400 - the reason says it all
