"""The HTTP API, version 1, built from its parts; the same for the Unix socket and for TCP.

Read-only toward the plant: actions change alarms of this daemon and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse

from daemon.web.access.authority import Authority
from daemon.web.access.principal import Gate, LocalGate
from daemon.web.access.throttle import RequestRate
from daemon.web.broadcast import Broadcaster
from daemon.web.guard import Guard, check_routes
from daemon.web.history_service import HistoryService
from daemon.web.parts import Daemon
from daemon.web.report_service import ReportService
from daemon.web.responses import EVERY_ROUTE
from daemon.web.routes.access import add_session_routes, add_user_routes
from daemon.web.routes.alarms import add_alarm_routes
from daemon.web.routes.history import add_history_routes
from daemon.web.routes.logbook import add_logbook_routes
from daemon.web.routes.reload import add_reload_route
from daemon.web.routes.report import add_report_routes
from daemon.web.routes.sinks import add_sink_routes
from daemon.web.routes.stream import add_stream_routes
from daemon.web.routes.system import add_system_routes
from daemon.web.routes.units import add_unit_routes
from daemon.web.schemas import Refusal
from daemon.web.views import Views

_DESCRIPTION = (
    "Watches TEG gas dehydration units. Read-only toward the plant: no route can reach a controller; actions "
    "change alarms of this daemon and nothing else. Values are in the site's display units, each with its "
    "unit, quality and time. A bad value is null, never zero and never the last one."
)


class WebParts:
    """What both listeners share: views, live fan-out, questions about the past, reports."""

    def __init__(self, daemon: Daemon, streams: int = 100) -> None:
        self.daemon = daemon
        self.views = Views(daemon.site)
        self.broadcaster = Broadcaster(self.views, daemon.writer.subscribe, streams)
        self.history = HistoryService(daemon.journal)
        self.reports = ReportService(daemon)

    def close(self) -> None:
        """Let go of threads and processes."""
        self.history.close()
        self.reports.close()


def local_api(parts: WebParts) -> FastAPI:
    """Build the application for the Unix socket: whoever may open the socket is trusted."""
    return _build(parts, LocalGate(), None, None, None)


def network_api(
    parts: WebParts, authority: Authority, rate: RequestRate, pages: Callable[[FastAPI], None] | None = None
) -> FastAPI:
    """Build the application for TCP: every route but liveness and log-in needs a credential.

    Parameters
    ----------
    parts : WebParts
        What it shows.
    authority : Authority
        Finds out who asks.
    rate : RequestRate
        How often a client may ask.
    pages : callable, optional
        Adds the pages for browsers.
    """
    return _build(parts, authority, rate, authority, pages)


def _build(
    parts: WebParts,
    gate: Gate,
    rate: RequestRate | None,
    authority: Authority | None,
    pages: Callable[[FastAPI], None] | None,
) -> FastAPI:
    daemon = parts.daemon
    api = FastAPI(
        title="tegwatch",
        version=daemon.version,
        description=_DESCRIPTION,
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        responses=EVERY_ROUTE,
    )
    add_unit_routes(api, daemon, parts.views)
    add_alarm_routes(api, daemon, parts.views)
    add_stream_routes(api, daemon, parts.broadcaster, gate)
    add_history_routes(api, daemon, parts.history)
    add_report_routes(api, daemon, parts.reports)
    add_logbook_routes(api, daemon, parts.history)
    add_system_routes(api, daemon, parts.broadcaster)
    add_reload_route(api, daemon)
    add_sink_routes(api, daemon)
    add_session_routes(api, authority)
    if authority is not None:
        add_user_routes(api, daemon, authority)
    if pages is not None:
        pages(api)
    check_routes(api.router.routes)
    api.exception_handler(RequestValidationError)(_invalid)
    api.add_middleware(
        Guard, routes=api.router.routes, gate=gate, rate=rate, clock=daemon.clock, audit=daemon.audit
    )
    api.openapi = lambda: _document(api)  # type: ignore[method-assign]  # the way the library documents
    return api


async def _invalid(_request: Request, error: Exception) -> JSONResponse:
    """Say which part of a request is wrong, without repeating what was sent: it may be a password."""
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class only
    said = [f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}" for one in error.errors()]
    return JSONResponse({"detail": "; ".join(said)}, status_code=422)


def _document(api: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document with the two kinds of credential."""
    if api.openapi_schema is None:
        document = get_openapi(
            title=api.title, version=api.version, description=api.description, routes=api.routes
        )
        document["components"]["schemas"][Refusal.__name__] = Refusal.model_json_schema()
        document["components"]["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer"},
            "session": {
                "type": "apiKey",
                "in": "cookie",
                "name": "__Host-tegwatch",
                "description": "Over plain HTTP on a loopback address: tegwatch-session.",
            },
        }
        document["security"] = [{"token": []}, {"session": []}]
        for path in ("/healthz", "/v1/session", "/v1/first-user"):
            for method, operation in document["paths"].get(path, {}).items():
                if path == "/healthz" or method == "post":
                    operation["security"] = []
        api.openapi_schema = document
    return api.openapi_schema
