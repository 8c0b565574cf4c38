"""What stands before every route: who asks, may he, how often, how much, from which page; and headers.

Order: size, credential, rate, permission of the route, origin of the request, then the body within a time.
Nothing of a body is read before the caller may ask. A failure inside is logged in full and answered with
nothing but its number.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import secrets
from collections.abc import Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from typing import Any, Literal

import structlog
from starlette.routing import BaseRoute, Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.clock import Clock
from daemon.web.access.permissions import ROUTE_PERMISSIONS, Permission
from daemon.web.access.principal import Audit, Caller, Gate, Principal
from daemon.web.access.throttle import RequestRate

log = structlog.get_logger(__name__)

BODY_LIMIT = 256 * 1024
"""Largest request body [bytes]."""
BODY_TIME = 10.0
"""How long a body may take to come [s]."""
SEND_TIME = 30.0
"""How long a client may take to make room for the next piece of an answer [s]."""
CSRF_HEADER = "x-csrf-token"
BACKGROUND_HEADER = "x-background"
"""A page sends it with requests that nobody caused, so that they do not keep an unattended session alive."""
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_HEADERS = {
    "content-security-policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
_HSTS = "max-age=31536000"


class RefusedRequest(Exception):  # noqa: N818 - says what happened
    """A request that is answered without reaching its route."""

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = headers or {}


class Guard:
    """ASGI middleware around the routes.

    Parameters
    ----------
    app : ASGIApp
        What it guards.
    routes : iterable of BaseRoute
        The application's routes, to find which one a request means.
    gate : Gate
        Finds out who asks.
    rate : RequestRate or None
        Requests per credential, or per address without one; ``None`` does not count.
    clock : Clock
        Monotonic time of the rate.
    audit : Audit
        Keeps what an authenticated caller was denied.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        routes: Iterable[BaseRoute],
        gate: Gate,
        rate: RequestRate | None,
        clock: Clock,
        audit: Audit,
    ) -> None:
        self._app = app
        self._routes = routes
        self._gate = gate
        self._rate = rate
        self._clock = clock
        self._audit = audit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] != "http":
            raise NotImplementedError(f"the API speaks HTTP only, not {scope['type']}")
        answer = _Answer(scope, send)
        try:
            receive = await self._admit(scope, receive)
            await self._app(scope, receive, answer)
        except RefusedRequest as refused:
            await answer.json(refused.status, refused.detail, refused.headers)
        except Exception:
            reference = secrets.token_hex(4)
            log.exception("request_failed", reference=reference, method=scope["method"], path=scope["path"])
            if not answer.started:
                await answer.json(
                    500, f"this went wrong inside the daemon; its log tells why under {reference}"
                )

    async def _admit(self, scope: Scope, receive: Receive) -> Receive:
        caller = _caller(scope)
        if _length(caller.headers) > BODY_LIMIT:
            raise RefusedRequest(413, f"a request may have at most {BODY_LIMIT // 1024} KiB")
        principal = self._gate.identify(caller)
        if self._rate is not None:
            key = caller.address if principal is None else principal.key
            wait = self._rate.wait(key, self._clock.monotonic())
            if wait > 0:
                raise _too_fast(wait)
        self._authorise(scope, caller, principal)
        scope["principal"] = principal
        scope["address"] = caller.address
        if scope["method"] in _SAFE:
            return receive
        if principal is None or principal.via == "session":
            _same_origin(scope, caller)
        if principal is not None and principal.session is not None:
            given = caller.headers.get(CSRF_HEADER, "")
            if not hmac.compare_digest(given.encode(), principal.session.csrf.encode()):
                raise RefusedRequest(403, f"a change needs the session's token in the header {CSRF_HEADER}")
        return await _read(receive)

    def _authorise(self, scope: Scope, caller: Caller, principal: Principal | None) -> None:
        path = self._path(scope)
        method = "GET" if scope["method"] == "HEAD" else scope["method"]
        needed = ROUTE_PERMISSIONS.get((method, path)) if path is not None else None
        if needed is Permission.OPEN:
            return
        if principal is None:
            if path is not None and not path.startswith("/v1/") and _navigates(caller):
                raise RefusedRequest(303, "log in first", {"location": "/login"})
            raise RefusedRequest(
                401, "log in, or send a token: Authorization: Bearer ...", {"www-authenticate": "Bearer"}
            )
        if needed is None:
            return  # no such route: the application says 404 or 405
        if needed not in principal.permissions:
            who = principal.name
            self._audit(
                "denied",
                f"{who} may not {method} {path}",
                actor=who,
                needed=needed.value,
                via=principal.via,
                address=principal.address,
            )
            raise RefusedRequest(403, f'this needs the permission "{needed.value}"')

    def _path(self, scope: Scope) -> str | None:
        for route in self._routes:
            if route.matches(scope)[0] is Match.FULL:
                return str(getattr(route, "path", ""))
        return None


def check_routes(routes: Iterable[BaseRoute]) -> None:
    """Make sure that the permission table knows every route of an application.

    Raises
    ------
    LookupError
        A route is missing in the table.
    """
    for route in routes:
        path = getattr(route, "path", "")
        for method in getattr(route, "methods", None) or {"GET"}:
            if method != "HEAD" and (method, path) not in ROUTE_PERMISSIONS:
                raise LookupError(f"{method} {path} has no permission in the table; nobody could use it")


class _Answer:
    """The way back: adds headers, limits how long a client may hold up an answer."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self.started = False
        self._send = send
        self._headers = dict(_HEADERS)
        if scope.get("scheme") == "https":
            self._headers["strict-transport-security"] = _HSTS

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            given = {name.lower() for name, _ in message.get("headers", ())}
            own = {**self._headers, "cache-control": "no-store"}
            added = [
                (name.encode(), text.encode()) for name, text in own.items() if name.encode() not in given
            ]
            message = {**message, "headers": [*message.get("headers", ()), *added]}
        async with asyncio.timeout(SEND_TIME):
            await self._send(message)

    async def json(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        """Answer in place of a route."""
        body = json.dumps({"detail": detail}, ensure_ascii=False).encode()
        own = {"content-type": "application/json", "content-length": str(len(body)), **(headers or {})}
        if status == 413:
            own["connection"] = "close"  # the rest of the body is not waited for
        raw = [(name.encode(), text.encode()) for name, text in own.items()]
        await self({"type": "http.response.start", "status": status, "headers": raw})
        await self({"type": "http.response.body", "body": body})


def _caller(scope: Scope) -> Caller:
    headers = {name.decode("latin-1").lower(): text.decode("latin-1") for name, text in scope["headers"]}
    cookies: dict[str, str] = {}
    if "cookie" in headers:
        try:
            cookies = {name: morsel.value for name, morsel in SimpleCookie(headers["cookie"]).items()}
        except CookieError:
            cookies = {}  # not ours, then: ours are plain letters and digits
    client = scope.get("client")
    scheme: Literal["http", "https"] = "https" if scope.get("scheme") == "https" else "http"
    return Caller(
        scheme, client[0] if client else "unix socket", headers, cookies, BACKGROUND_HEADER in headers
    )


def _length(headers: Mapping[str, str]) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() else BODY_LIMIT + 1


def _too_fast(wait: float) -> RefusedRequest:
    return RefusedRequest(429, "too many requests; slow down", {"retry-after": str(max(1, round(wait)))})


def _navigates(caller: Caller) -> bool:
    """Whether a person opens a page, rather than a program asking for data."""
    return "text/html" in caller.headers.get("accept", "")


def _same_origin(scope: Scope, caller: Caller) -> None:
    """Refuse a change that another site's page asks a browser for."""
    site = caller.headers.get("sec-fetch-site")
    if site not in {None, "same-origin"}:
        raise RefusedRequest(403, "a change must come from this daemon's own page")
    origin = caller.headers.get("origin")
    if origin is not None and origin != f"{caller.scheme}://{caller.headers.get('host', '')}":
        raise RefusedRequest(403, "a change must come from this daemon's own page")


async def _read(receive: Receive) -> Receive:
    """Read the body within its limits, and return a ``receive`` that gives it once."""
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(BODY_TIME):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    raise RefusedRequest(400, "the request ended early")
                parts.append(message.get("body", b""))
                size += len(parts[-1])
                if size > BODY_LIMIT:
                    raise RefusedRequest(413, f"a request may have at most {BODY_LIMIT // 1024} KiB")
                if not message.get("more_body", False):
                    break
    except TimeoutError:
        raise RefusedRequest(408, "the request took too long to come", {"connection": "close"}) from None
    waiting: list[dict[str, Any]] = [{"type": "http.request", "body": b"".join(parts), "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again
