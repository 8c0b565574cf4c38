"""Log-in and log-out, one's own password, users and tokens."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Annotated

from fastapi import FastAPI, HTTPException, Path, Request, Response

from daemon.times import rfc3339
from daemon.web.access.accounts import AccountsUnusable, ChangeRefused, Token, User, new_token
from daemon.web.access.authority import COOKIES, Authority, TooManyAttempts, WrongCredentials
from daemon.web.access.permissions import ROLE_PERMISSIONS
from daemon.web.access.principal import Principal
from daemon.web.parts import Daemon
from daemon.web.responses import CallerIs, refusals
from daemon.web.schemas import (
    FirstUserRequest,
    LoginRequest,
    NewToken,
    NewUser,
    PasswordRequest,
    RoleRequest,
    SessionView,
    TokenSecret,
    TokenView,
    UserView,
)

_Name = Annotated[str, Path(max_length=64)]
_CHANGES = refusals(
    s409="The change makes no sense or the password is too easy; nothing was changed.",
    s503="The users file cannot be used.",
)


def add_session_routes(api: FastAPI, authority: Authority | None) -> None:
    """Add the routes about oneself; the Unix socket has no authority and nothing to log in to."""

    @api.get("/v1/session", tags=["access"])
    async def who(caller: CallerIs) -> SessionView:
        """Say who is asking, and what he may do."""
        return _session_view(caller, locked=authority is not None and authority.locked(caller))

    if authority is None:
        return

    @api.post("/v1/session", tags=["access"], status_code=201, responses=_CHANGES)
    async def log_in(body: LoginRequest, request: Request, response: Response) -> SessionView:
        """Log in; sets the session's cookie."""
        address = request.scope["address"]
        with _answered():
            secret, session, role = await authority.log_in(body.name, body.password, address)
        _set_cookie(request, response, secret)
        principal = Principal(
            session.user, ROLE_PERMISSIONS[role], "session", address, session.digest, session
        )
        return _session_view(principal, locked=False)

    @api.delete("/v1/session", tags=["access"], status_code=204)
    async def log_out(caller: CallerIs, request: Request, response: Response) -> None:
        """Log out; the session ends at once."""
        await authority.log_out(caller)
        _set_cookie(request, response, "")

    @api.put("/v1/session/password", tags=["access"], status_code=204, responses=_CHANGES)
    async def password(body: PasswordRequest, caller: CallerIs) -> None:
        """Set one's own password; ends all one's sessions."""
        with _answered():
            await authority.change_password(caller, body.old, body.new)

    @api.post("/v1/first-user", tags=["access"], status_code=204, responses=_CHANGES)
    async def first_user(body: FirstUserRequest, request: Request) -> None:
        """Make the first user, an admin, with the secret that the daemon's log showed at its first start."""
        with _answered():
            await authority.first_user(body.secret, body.name, body.password, request.scope["address"])


def add_user_routes(api: FastAPI, daemon: Daemon, authority: Authority) -> None:
    """Add the routes about users and tokens."""

    def audit(caller: Principal, message: str) -> None:
        daemon.audit(
            "access changed", f"{caller.name}: {message}", actor=caller.name, via=caller.via,
            address=caller.address,
        )  # fmt: skip

    @api.get("/v1/users", tags=["access"])
    async def users() -> list[UserView]:
        """List the users."""
        return [user_view(one) for one in authority.accounts.users]

    @api.post("/v1/users", tags=["access"], status_code=204, responses=_CHANGES)
    async def add_user(body: NewUser, caller: CallerIs) -> None:
        """Add a user."""
        with _answered():
            await authority.add_user(body.name, body.role, body.password)
        audit(caller, f"added {body.name} as {body.role}")

    @api.put("/v1/users/{name}/role", tags=["access"], status_code=204, responses=_CHANGES)
    async def set_role(name: _Name, body: RoleRequest, caller: CallerIs) -> None:
        """Give a user another role; ends the user's sessions."""
        with _answered():
            await authority.change(
                lambda accounts: accounts.changed(accounts.known(name).model_copy(update={"role": body.role}))
            )
        audit(caller, f"made {name} {body.role}")

    @api.delete("/v1/users/{name}", tags=["access"], status_code=204, responses=_CHANGES)
    async def remove_user(name: _Name, caller: CallerIs) -> None:
        """Remove a user with all sessions and tokens."""
        with _answered():
            await authority.change(lambda accounts: accounts.without_user(name))
        audit(caller, f"removed {name}")

    @api.get("/v1/tokens", tags=["access"])
    async def tokens() -> list[TokenView]:
        """List the tokens, without their secrets."""
        return [token_view(one) for one in authority.accounts.tokens]

    @api.post("/v1/tokens", tags=["access"], status_code=201, responses=_CHANGES)
    async def make_token(body: NewToken, caller: CallerIs) -> TokenSecret:
        """Make a token for a program; its secret is shown this once."""
        secret, token = new_token(
            body.user, list(body.scopes), daemon.clock.wall(), body.days * 86400.0, body.note
        )
        with _answered():
            await authority.change(lambda accounts: accounts.with_token(token))
        audit(caller, f"made token {token.id} of {token.user} ({', '.join(token.scopes)})")
        return TokenSecret(id=token.id, secret=secret, expires=rfc3339(token.expires))

    @api.delete("/v1/tokens/{token}", tags=["access"], status_code=204, responses=_CHANGES)
    async def revoke(token: _Name, caller: CallerIs) -> None:
        """Revoke a token; it opens nothing from now on."""
        with _answered():
            await authority.change(lambda accounts: accounts.without_token(token))
        audit(caller, f"revoked token {token}")


def user_view(user: User) -> UserView:
    """Show one user."""
    return UserView(name=user.name, role=user.role, password_changed=rfc3339(user.changed))


def token_view(token: Token) -> TokenView:
    """Show one token, without its secret."""
    return TokenView(
        id=token.id,
        user=token.user,
        scopes=list(token.scopes),
        created=rfc3339(token.created),
        expires=rfc3339(token.expires),
        note=token.note,
    )


@contextlib.contextmanager
def _answered() -> Iterator[None]:
    """Turn the ways in which access work fails into answers."""
    try:
        yield
    except TooManyAttempts as error:
        wait = str(max(1, round(error.seconds)))
        raise HTTPException(429, str(error), headers={"Retry-After": wait}) from None
    except WrongCredentials as error:
        raise HTTPException(401, str(error)) from None
    except ChangeRefused as error:
        raise HTTPException(409, str(error)) from None
    except AccountsUnusable:
        raise HTTPException(503, "the users file cannot be used; the daemon's log says why") from None


def _session_view(caller: Principal, *, locked: bool) -> SessionView:
    return SessionView(
        name=caller.name,
        permissions=sorted(caller.permissions),
        via=caller.via,
        csrf=None if caller.session is None else caller.session.csrf,
        locked=locked,
    )


def _set_cookie(request: Request, response: Response, secret: str) -> None:
    """Give the browser the session's name; an empty one takes it away."""
    scheme = request.url.scheme
    response.set_cookie(
        COOKIES[scheme],
        secret,
        max_age=None if secret else 0,
        path="/",
        secure=scheme == "https",
        httponly=True,
        samesite="strict",
    )
