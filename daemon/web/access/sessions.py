"""Sessions of people who logged in: kept by the daemon; the browser holds nothing but a random name.

What is kept is the SHA-256 of the name, so that a copy of this table opens no session. The token against
forged requests is made from the name, so it need not be kept at all.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterator
from dataclasses import dataclass

from daemon.web.access.permissions import Permission

PER_USER = 20
"""Sessions of one user at a time; a new one ends the one that was quiet longest."""
AFTER_IDLE = frozenset({Permission.OPEN, Permission.OWN, Permission.VIEW})


@dataclass(slots=True)
class Session:
    """One log-in of one user; times are monotonic."""

    user: str
    digest: str
    address: str
    began: float
    active: float
    """When the user last did something."""
    stamp: str = ""
    """Of the user's record at log-in; another one ends the session at a restart."""
    csrf: str = ""
    """Must come back in a header with every request that changes something; known once the name has come."""


class Sessions:
    """All open sessions; pure but for the random names.

    Parameters
    ----------
    idle, absolute : float
        When a session ends [s]: without activity, and in any case.
    view_after_idle : bool
        Whether an idle session may go on viewing until its absolute end.
    """

    def __init__(self, idle: float, absolute: float, *, view_after_idle: bool = False) -> None:
        self._idle = idle
        self._absolute = absolute
        self._view_after_idle = view_after_idle
        self._open: dict[str, Session] = {}

    def __len__(self) -> int:
        return len(self._open)

    def begin(self, user: str, address: str, now: float, stamp: str = "") -> tuple[str, Session]:
        """Open a session; return its secret name, which is given to nobody else, and the session."""
        self._sweep(now)
        mine = sorted((one for one in self._open.values() if one.user == user), key=lambda one: one.active)
        for old in mine[: max(0, len(mine) + 1 - PER_USER)]:
            del self._open[old.digest]
        name = secrets.token_urlsafe(32)
        session = Session(user, _digest(name), address, now, now, stamp, _csrf(name))
        self._open[session.digest] = session
        return name, session

    def restore(self, session: Session, now: float) -> None:
        """Take back a session of an earlier run, unless it has ended meanwhile."""
        if self._alive(session, now):
            self._open[session.digest] = session

    def open(self, now: float) -> Iterator[Session]:
        """Yield every session that has not ended."""
        return (one for one in self._open.values() if self._alive(one, now))

    def find(self, name: str, now: float) -> Session | None:
        """Return the session of a name, unless it has ended."""
        session = self._open.get(_digest(name))
        if session is None or not self._alive(session, now):
            return None
        session.csrf = session.csrf or _csrf(name)
        return session

    def holds(self, session: Session, now: float) -> bool:
        """Whether a session is still open: for answers that go on for hours."""
        return self._open.get(session.digest) is session and self._alive(session, now)

    def idle(self, session: Session, now: float) -> bool:
        """Whether nobody has done anything in it for too long."""
        return now - session.active >= self._idle

    def touch(self, session: Session, now: float) -> None:
        """Note that the user did something; an idle session stays idle."""
        if not self.idle(session, now):
            session.active = now

    def end(self, session: Session) -> None:
        """Close one session."""
        self._open.pop(session.digest, None)

    def end_all_of(self, user: str) -> None:
        """Close every session of a user: after a change of password, role or existence."""
        for session in [one for one in self._open.values() if one.user == user]:
            self.end(session)

    def _alive(self, session: Session, now: float) -> bool:
        if now - session.began >= self._absolute:
            return False
        return self._view_after_idle or not self.idle(session, now)

    def _sweep(self, now: float) -> None:
        for session in [one for one in self._open.values() if not self._alive(one, now)]:
            self.end(session)


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()


def _csrf(name: str) -> str:
    return hmac.new(name.encode(), b"csrf", hashlib.sha256).hexdigest()
