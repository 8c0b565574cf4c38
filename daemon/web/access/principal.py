"""Who asks, as the routes see it, and the two ways in which that is found out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from daemon.web.access.permissions import EVERYTHING, Permission
from daemon.web.access.sessions import Session

Audit = Callable[..., None]
"""Keeps a security event: ``audit(kind, message, **data)``."""


@dataclass(frozen=True, slots=True)
class Principal:
    """An authenticated caller.

    ``key`` identifies the credential for rate limits; ``name`` is empty only for the box's own user on the
    Unix socket, who says with each action who he is.
    """

    name: str
    permissions: frozenset[Permission]
    via: Literal["unix socket", "session", "token"]
    address: str
    key: str
    session: Session | None = None


@dataclass(frozen=True, slots=True)
class Caller:
    """What a request says of who sent it."""

    scheme: Literal["http", "https"]
    address: str
    headers: Mapping[str, str]
    """Lower-case names; the last one where a name comes twice."""
    cookies: Mapping[str, str]
    background: bool
    """Whether a page asked by itself, without anybody doing anything."""


class Gate(Protocol):
    """Finds out who asks."""

    def identify(self, caller: Caller) -> Principal | None:
        """Return who asks; ``None`` without a valid credential."""
        ...

    def holds(self, principal: Principal) -> bool:
        """Whether an earlier ``identify`` would still come out the same: for answers that go on for hours."""
        ...


class LocalGate:
    """The Unix socket: whoever may open it is the daemon's own user and may do everything."""

    def identify(self, caller: Caller) -> Principal | None:
        """Return the box's own user."""
        return Principal("", EVERYTHING, "unix socket", "unix socket", "unix socket")

    def holds(self, principal: Principal) -> bool:
        """Return true: file permissions do not change under an open connection."""
        return True
