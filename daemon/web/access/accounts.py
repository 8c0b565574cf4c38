"""Users and tokens, and the file that holds them. The file is the daemon's and ``tegwatch users``' alone.

Every change is a whole new file in place of the old one, under a lock, so that a command beside a running
daemon and the daemon itself never overwrite each other and a power cut leaves the old or the new.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import hmac
import os
import secrets
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, ValidationError

from config.base import StrictModel
from daemon.web.access.permissions import ROLE_PERMISSIONS, Permission, Role
from daemon.web.access.private_file import read_private, replace_private

UserName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9._-]{0,31}$")]
"""Lower-case letters, digits, ``.``, ``_`` and ``-``, beginning with a letter."""
LONGEST_TOKEN_LIFE = 400 * 86400.0
"""A token ends after at most this time [s]."""
_PREFIX = "tegwatch"


class AccountsUnusable(Exception):  # noqa: N818 - says what happened
    """The users file cannot be used; the message says why and what to do."""


class ChangeRefused(Exception):  # noqa: N818 - says what happened
    """A change to users or tokens that makes no sense; nothing was changed."""


class User(StrictModel):
    """One person."""

    name: UserName
    role: Role
    password: str
    """argon2id, in the usual text form with parameters and salt."""
    changed: float
    """When the password was set [POSIX s]."""


class Token(StrictModel):
    """What a program shows in place of a password. Its secret is shown once and kept as SHA-256 only."""

    id: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{12}$")]
    user: UserName
    """Whom it acts for; it can never do more than this user."""
    digest: str
    scopes: tuple[Permission, ...]
    created: float
    expires: float
    note: str = ""


class Accounts(StrictModel):
    """All users and tokens; every change makes a new one."""

    version: Literal[1] = 1
    users: tuple[User, ...] = ()
    tokens: Annotated[tuple[Token, ...], Field(max_length=1000)] = ()

    def user(self, name: str) -> User | None:
        """Find a user."""
        return next((one for one in self.users if one.name == name), None)

    def known(self, name: str) -> User:
        """Find a user who must exist."""
        found = self.user(name)
        if found is None:
            there = ", ".join(one.name for one in self.users) or "nobody yet"
            raise ChangeRefused(f"there is no user {name}; there are: {there}")
        return found

    def with_user(self, user: User) -> Accounts:
        """Add a user.

        Raises
        ------
        ChangeRefused
            The name is taken.
        """
        if self.user(user.name) is not None:
            raise ChangeRefused(f"there is a user {user.name} already")
        return self.model_copy(update={"users": (*self.users, user)})

    def changed(self, user: User) -> Accounts:
        """Replace a user by another of the same name.

        Raises
        ------
        ChangeRefused
            There is no such user, or nobody could administer any more.
        """
        before = self.known(user.name)
        after = self.model_copy(update={"users": tuple(user if one is before else one for one in self.users)})
        return _administered(after)

    def without_user(self, name: str) -> Accounts:
        """Remove a user and all his tokens.

        Raises
        ------
        ChangeRefused
            There is no such user, or nobody could administer any more.
        """
        gone = self.known(name)
        users = tuple(one for one in self.users if one is not gone)
        tokens = tuple(one for one in self.tokens if one.user != name)
        return _administered(self.model_copy(update={"users": users, "tokens": tokens}))

    def with_token(self, token: Token) -> Accounts:
        """Add a token.

        Raises
        ------
        ChangeRefused
            There is no such user, or the user may not do what the token should.
        """
        allowed = ROLE_PERMISSIONS[self.known(token.user).role]
        beyond = [scope.value for scope in token.scopes if scope not in allowed]
        if beyond:
            raise ChangeRefused(f"{token.user} may not {', '.join(beyond)}; nor may a token of his")
        live = tuple(one for one in self.tokens if one.expires > token.created)
        return self.model_copy(update={"tokens": (*live, token)})

    def without_token(self, token_id: str) -> Accounts:
        """Revoke a token.

        Raises
        ------
        ChangeRefused
            There is no such token.
        """
        if not any(one.id == token_id for one in self.tokens):
            raise ChangeRefused(f"there is no token {token_id}")
        return self.model_copy(update={"tokens": tuple(one for one in self.tokens if one.id != token_id)})

    def token(self, secret: str, now: float) -> Token | None:
        """Find the token that a secret opens, unless it has expired. Compares in constant time."""
        parts = secret.split("_", 2)
        found = next((one for one in self.tokens if len(parts) == 3 and one.id == parts[1]), None)
        matches = hmac.compare_digest(found.digest if found else "0" * 64, _digest(secret))
        return found if found is not None and matches and now < found.expires else None


def _administered(accounts: Accounts) -> Accounts:
    if not any(one.role is Role.ADMIN for one in accounts.users):
        raise ChangeRefused("nobody could administer any more; make another user an admin first")
    return accounts


def new_token(
    user: str, scopes: Collection[Permission], now: float, life: float, note: str = ""
) -> tuple[str, Token]:
    """Make a token; return its secret (256 random bits), to be shown once, and what is kept of it."""
    token_id = secrets.token_hex(6)
    secret = f"{_PREFIX}_{token_id}_{secrets.token_urlsafe(32)}"
    expires = now + min(life, LONGEST_TOKEN_LIFE)
    ordered = tuple(scope for scope in Permission if scope in scopes)
    return secret, Token(
        id=token_id,
        user=user,
        digest=_digest(secret),
        scopes=ordered,
        created=now,
        expires=expires,
        note=note,
    )


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


class AccountsFile:
    """The file of users and tokens; only its owner may read it.

    Parameters
    ----------
    path : pathlib.Path
        Where it lies; need not exist yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def mark(self) -> tuple[int, int, int] | None:
        """Return what changes whenever the file does; ``None`` where there is none."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return None
        return found.st_ino, found.st_ctime_ns, found.st_size

    def read(self) -> Accounts:
        """Read all users and tokens; none where there is no file yet.

        Raises
        ------
        AccountsUnusable
            Others may read it, or it does not hold what it should.
        """
        try:
            text = read_private(self.path)
        except FileNotFoundError:
            return Accounts()
        except OSError as error:
            reason = f"cannot be read: {error.strerror}" if error.strerror else str(error)
            raise AccountsUnusable(f"{self.path}: {reason}") from error
        try:
            return Accounts.model_validate_json(text)
        except ValidationError as error:
            first = error.errors(include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise AccountsUnusable(
                f"{self.path}: {where}: {first['msg']}; restore the file from a backup, or move it away and "
                "begin anew with: tegwatch users add"
            ) from None

    def change(self, edit: Callable[[Accounts], Accounts]) -> Accounts:
        """Replace what the file holds by ``edit`` of it, durably, and return it.

        Raises
        ------
        AccountsUnusable
            The file cannot be read or written.
        ChangeRefused
            ``edit`` refused.
        """
        try:
            with self._locked():
                after = edit(self.read())
                replace_private(self.path, after.model_dump_json(indent=1))
        except OSError as error:
            raise AccountsUnusable(f"{self.path}: cannot be written: {error.strerror}") from error
        return after

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        lock = os.open(self.path.with_suffix(".lock"), os.O_CREAT | os.O_RDWR, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
        finally:
            os.close(lock)
