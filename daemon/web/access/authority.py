"""The credentials of the TCP listener: log-in, sessions, tokens, first user. Every outcome is kept."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import structlog

from config.web import WebSettings
from daemon.clock import Clock
from daemon.web.access.accounts import Accounts, AccountsFile, AccountsUnusable, ChangeRefused, User
from daemon.web.access.kept_sessions import SessionKeeper, stamp_of
from daemon.web.access.passwords import hash_password, needs_new_hash, password_matches, password_problem
from daemon.web.access.permissions import ROLE_PERMISSIONS, Permission, Role
from daemon.web.access.principal import Audit, Caller, Principal
from daemon.web.access.sessions import AFTER_IDLE, Session, Sessions
from daemon.web.access.throttle import LoginDelays, RequestRate

log = structlog.get_logger(__name__)

REREAD_EVERY = 1.0
"""How often the users file is looked at for a change by a command [s]."""
FIRST_USER_LIMIT = 3600.0
"""How long after the start the first-run secret works [s]."""
HASHES_WAITING = 8
"""Log-ins that may wait for a hash at a time: each costs 46 MiB and a tenth of a second."""

COOKIES = {"https": "__Host-tegwatch", "http": "tegwatch-session"}
"""Name of the session cookie by scheme: browsers take a ``__Host-`` cookie over TLS only, and plain HTTP
is served on a loopback address only."""

FAILURES_KEPT = (0.1, 50)
"""Failed log-ins that are kept singly, a second and at once: nobody may fill the disk by guessing."""

_T = TypeVar("_T")


class TooManyAttempts(Exception):  # noqa: N818 - says what happened
    """A log-in must wait for ``seconds``."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"too many failed attempts; wait {max(1, round(seconds))} s")
        self.seconds = seconds


class WrongCredentials(Exception):  # noqa: N818 - says what happened
    """Name, password or secret is wrong; which of them is not said."""

    def __init__(self) -> None:
        super().__init__("name or password is wrong")


class Authority:
    """Finds out who asks, and changes users and tokens.

    Parameters
    ----------
    file : AccountsFile
        Users and tokens.
    settings : WebSettings
        Times of sessions.
    clock : Clock
        Sessions and delays run on its monotonic time, tokens expire by its wall time.
    audit : Audit
        Keeps what happened.
    words : tuple of str
        What makes a bad password here, such as the site's name.
    """

    def __init__(
        self,
        file: AccountsFile,
        settings: WebSettings,
        clock: Clock,
        audit: Audit,
        words: tuple[str, ...] = (),
    ) -> None:
        self.sessions = Sessions(
            settings.session_idle, settings.session_absolute, view_after_idle=settings.view_after_idle
        )
        self.problem = ""
        """Why the users file cannot be used; nobody is let in then."""
        self._file = file
        self._clock = clock
        self._audit = audit
        self._words = words
        self._delays = LoginDelays()
        self._failures_kept = RequestRate(*FAILURES_KEPT)
        self._failures_unsaid = 0
        self._accounts = self._last_good = Accounts()
        self._mark: object = None
        self._loaded = False
        self._looked = -REREAD_EVERY
        self._hashing = ThreadPoolExecutor(1, "password-hashing")
        self._waiting = 0
        self._first = ""
        self._first_until = 0.0
        self._refresh()
        beside = file.path.with_name(f"{file.path.stem}-sessions.json")
        self._keeper = SessionKeeper(beside, self.sessions, clock, audit)
        self._keeper.restore({user.name: user for user in self._accounts.users})

    def close(self) -> None:
        """Keep the sessions for the next run and let go of the threads."""
        self._hashing.shutdown(wait=False, cancel_futures=True)
        self._keeper.close()

    # ------------------------------------------------------------------ who asks

    def identify(self, caller: Caller) -> Principal | None:
        """Return who asks, by token or by session; ``None`` without a valid credential."""
        self._refresh()
        scheme, _, secret = caller.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return self._by_token(secret.strip(), caller)
        cookie = caller.cookies.get(COOKIES[caller.scheme])
        return None if cookie is None else self._by_session(cookie, caller)

    def holds(self, principal: Principal) -> bool:
        """Whether a session is still open, a token not revoked or expired, and its user still there."""
        self._refresh()
        if principal.session is not None:
            return self.sessions.holds(principal.session, self._clock.monotonic())
        now = self._clock.wall()
        return any(one.id == principal.key and now < one.expires for one in self._accounts.tokens)

    def _by_token(self, secret: str, caller: Caller) -> Principal | None:
        token = self._accounts.token(secret, self._clock.wall())
        user = None if token is None else self._accounts.user(token.user)
        if token is None or user is None:
            return None
        permissions = ROLE_PERMISSIONS[user.role] & {*token.scopes, Permission.OPEN}
        return Principal(user.name, frozenset(permissions), "token", caller.address, token.id)

    def _by_session(self, name: str, caller: Caller) -> Principal | None:
        now = self._clock.monotonic()
        session = self.sessions.find(name, now)
        user = None if session is None else self._accounts.user(session.user)
        if session is None or user is None:
            return None
        if not caller.background:
            self.sessions.touch(session, now)
            self._keeper.keep_activity()
        permissions = ROLE_PERMISSIONS[user.role]
        if self.sessions.idle(session, now):
            permissions &= AFTER_IDLE
        return Principal(user.name, permissions, "session", caller.address, session.digest, session)

    def locked(self, principal: Principal) -> bool:
        """Whether a session is idle: it may look on, but must log in again to act."""
        session = principal.session
        return session is not None and self.sessions.idle(session, self._clock.monotonic())

    # ------------------------------------------------------------------ log in and out

    async def log_in(self, name: str, password: str, address: str) -> tuple[str, Session, Role]:
        """Open a session; return its secret name for the cookie, the session and the user's role.

        Raises
        ------
        TooManyAttempts
            Log-ins to this account from this address failed too often.
        WrongCredentials
            Name or password is wrong.
        """
        self._refresh()
        wait = self._delays.wait(name, address, self._clock.monotonic())
        if wait > 0:
            raise TooManyAttempts(wait)
        user = self._accounts.user(name)
        kept = None if user is None else user.password
        # Counted before the slow part, so that attempts at the same time do not all get in for one.
        self._delays.failed(name, address, self._clock.monotonic())
        if not await self._hashed(lambda: password_matches(kept, password)):
            self._tell_failure(f"failed log-in as {name}", name, address)
            raise WrongCredentials
        assert user is not None  # noqa: S101 - a password that matches has a user
        self._delays.succeeded(name, address)
        if needs_new_hash(user.password):
            await self._set_password(user.name, password)
        user = self._accounts.user(name)
        if user is None:  # removed while the password was looked at
            raise WrongCredentials
        secret, session = self.sessions.begin(name, address, self._clock.monotonic(), stamp_of(user))
        await self._keeper.keep()
        self._audit("login", f"{name} logged in", actor=name, role=user.role.value, address=address)
        return secret, session, user.role

    async def log_out(self, principal: Principal) -> None:
        """Close the caller's session, for good: a restart does not bring it back."""
        if principal.session is not None:
            self.sessions.end(principal.session)
            await self._keeper.keep()
            self._audit(
                "logout", f"{principal.name} logged out", actor=principal.name, address=principal.address
            )

    async def change_password(self, principal: Principal, old: str, new: str) -> None:
        """Set the caller's own password and close all his sessions.

        Raises
        ------
        TooManyAttempts, WrongCredentials
            As for a log-in, with the old password.
        ChangeRefused
            The new password is too easy to guess.
        """
        wait = self._delays.wait(principal.name, principal.address, self._clock.monotonic())
        if wait > 0:
            raise TooManyAttempts(wait)
        user = self._accounts.known(principal.name)
        if not await self._hashed(lambda: password_matches(user.password, old)):
            self._delays.failed(principal.name, principal.address, self._clock.monotonic())
            raise WrongCredentials
        await self._acceptable(new, principal.name)
        await self._set_password(principal.name, new)
        self.sessions.end_all_of(principal.name)
        await self._keeper.keep()
        self._audit(
            "password changed", f"{principal.name} changed his password", actor=principal.name,
            address=principal.address,
        )  # fmt: skip

    def _tell_failure(self, message: str, name: str, address: str) -> None:
        """Keep a failed log-in; in a flood only some, with the number of those in between."""
        log.warning("login_failed", actor=name, address=address)
        if self._failures_kept.wait("", self._clock.monotonic()) > 0:
            self._failures_unsaid += 1
            return
        unsaid, self._failures_unsaid = self._failures_unsaid, 0
        self._audit("login failed", message, actor=name, address=address, others_before=unsaid)

    # ------------------------------------------------------------------ first user

    def first_run_secret(self) -> str | None:
        """Return a new secret by which the first user can be made; ``None`` where there are users.

        It works once, and for an hour.
        """
        self._refresh()
        if self._accounts.users or self.problem:
            return None
        secret = secrets.token_urlsafe(24)
        self._first = hashlib.sha256(secret.encode()).hexdigest()
        self._first_until = self._clock.monotonic() + FIRST_USER_LIMIT
        return secret

    async def first_user(self, secret: str, name: str, password: str, address: str) -> None:
        """Make the first user, an admin.

        Raises
        ------
        TooManyAttempts
            Wrong secrets came from this address too often.
        WrongCredentials
            The secret is wrong, has been used or is too old.
        ChangeRefused
            The password is too easy to guess.
        """
        now = self._clock.monotonic()
        wait = self._delays.wait("", address, now)
        if wait > 0:
            raise TooManyAttempts(wait)
        given = hashlib.sha256(secret.encode()).hexdigest()
        if not (hmac.compare_digest(given, self._first or "-") and now < self._first_until):
            self._delays.failed("", address, now)
            self._tell_failure("wrong first-run secret", "", address)
            raise WrongCredentials
        await self._acceptable(password, name)
        kept = await self._hashed(lambda: hash_password(password))
        user = User(name=name, role=Role.ADMIN, password=kept, changed=self._clock.wall())

        def add(accounts: Accounts) -> Accounts:
            if accounts.users:
                raise ChangeRefused("there are users already")
            return accounts.with_user(user)

        await self._change(add)
        self._first = ""
        self._audit("user added", f"{name} is the first user, an admin", actor=name, address=address)

    # ------------------------------------------------------------------ users and tokens

    @property
    def accounts(self) -> Accounts:
        """All users and tokens."""
        self._refresh()
        return self._accounts

    async def add_user(self, name: str, role: Role, password: str) -> None:
        """Add a user.

        Raises
        ------
        ChangeRefused
            The name is taken or the password is too easy to guess.
        """
        await self._acceptable(password, name)
        kept = await self._hashed(lambda: hash_password(password))
        user = User(name=name, role=role, password=kept, changed=self._clock.wall())
        await self._change(lambda accounts: accounts.with_user(user))

    async def change(self, edit: Callable[[Accounts], Accounts]) -> None:
        """Change users or tokens.

        Raises
        ------
        ChangeRefused
            ``edit`` refused.
        AccountsUnusable
            The file cannot be written.
        """
        await self._change(edit)

    async def _set_password(self, name: str, password: str) -> None:
        kept = await self._hashed(lambda: hash_password(password))
        now = self._clock.wall()
        await self._change(
            lambda accounts: accounts.changed(
                accounts.known(name).model_copy(update={"password": kept, "changed": now})
            )
        )

    async def _acceptable(self, password: str, name: str) -> None:
        problem = await self._hashed(lambda: password_problem(password, (name, *self._words)))
        if problem:
            raise ChangeRefused(f"this password cannot be taken: {problem}")

    async def _change(self, edit: Callable[[Accounts], Accounts]) -> None:
        await asyncio.to_thread(self._file.change, edit)
        self._refresh(at_once=True)

    async def _hashed(self, work: Callable[[], _T]) -> _T:
        """Do slow work on the one thread for it, so that log-ins take neither the loop nor the memory."""
        if self._waiting >= HASHES_WAITING:
            raise TooManyAttempts(1.0)
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._hashing, work)
        finally:
            self._waiting -= 1

    # ------------------------------------------------------------------ the file

    def _refresh(self, *, at_once: bool = False) -> None:
        """Take over what a command or this daemon has written."""
        now = self._clock.monotonic()
        if now - self._looked < REREAD_EVERY and not at_once:
            return
        self._looked = now
        try:
            mark = self._file.mark()
            if self._loaded and mark == self._mark and not self.problem:
                return
            after = self._file.read()
        except (AccountsUnusable, OSError) as error:
            if str(error) != self.problem:
                log.error("users_file_unusable", reason=str(error))  # noqa: TRY400 - the reason says it all
                self._audit("users file unusable", f"nobody can log in: {error}")
            self.problem, self._accounts = str(error), Accounts()
            return
        if self._loaded:
            self._tell_changes(self._last_good, after)
        self._accounts = self._last_good = after
        self._mark, self.problem, self._loaded = mark, "", True

    def _tell_changes(self, before: Accounts, after: Accounts) -> None:
        """Keep what changed in the file, whoever changed it, and close sessions that it concerns."""
        was, now = ({user.name: user for user in accounts.users} for accounts in (before, after))
        for name in sorted(was.keys() | now.keys()):
            old, new = was.get(name), now.get(name)
            if old == new:
                continue
            self.sessions.end_all_of(name)
            self._keeper.keep_soon()
            what = "removed" if new is None else f"added as {new.role}" if old is None else "changed"
            if old is not None and new is not None and old.role is not new.role:
                what = f"changed from {old.role} to {new.role}"
            self._audit("users changed", f"user {name} {what}", user=name)
        ids = {token.id for token in before.tokens} ^ {token.id for token in after.tokens}
        for token in (*before.tokens, *after.tokens):
            if token.id in ids:
                what = "made" if token in after.tokens else "gone"
                scopes = ", ".join(token.scopes)
                self._audit("tokens changed", f"token {token.id} of {token.user} ({scopes}) {what}")
