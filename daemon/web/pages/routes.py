"""The routes of the pages. They read; what an operator does goes through the API's own routes."""

from __future__ import annotations

import functools
from typing import Annotated, Any

import jinja2
from fastapi import FastAPI, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse

from config.quantities import Quantity
from daemon.logbook import WORK
from daemon.times import rfc3339
from daemon.web.access.authority import Authority
from daemon.web.access.permissions import SCOPES, Permission, Role
from daemon.web.access.principal import Principal
from daemon.web.access.throttle import RequestRate
from daemon.web.api import WebParts, network_api
from daemon.web.health import health_view, readiness_view
from daemon.web.pages.assets import Assets
from daemon.web.pages.disk import disk_use
from daemon.web.pages.entry_forms import plain, sample_fields
from daemon.web.pages.model import (
    FORECASTS,
    KEY_VALUES,
    STATE_WORDS,
    Models,
)
from daemon.web.pages.order import grouped
from daemon.web.pages.wording import (
    band_text,
    duration_words,
    fit_of,
    forecast_of,
    measure_of,
    number_of,
    spread_of,
)
from daemon.web.responses import CallerIs, scanner_of
from daemon.web.routes.access import token_view, user_view
from daemon.web.schemas import AlarmView
from daemon.web.urgency import PRIORITIES, UNACKNOWLEDGED
from daemon.web.views import site_view

DEAD_AFTER = 4.5
"""Silence on the stream after which a page says that what it shows is old [s]."""
ATTENTION = "attention"
_FILTERS = {
    ATTENTION: "Need attention",
    "hidden": "Shelved, suppressed, out of service",
    "all": "Every configured alarm",
}


def network_api_with_pages(parts: WebParts, authority: Authority, rate: RequestRate) -> FastAPI:
    """Build the application for TCP with its pages.

    Parameters
    ----------
    parts : WebParts
        What it shows.
    authority : Authority
        Finds out who asks.
    rate : RequestRate
        How often a client may ask.
    """
    return network_api(parts, authority, rate, lambda api: _add(api, _Pages(parts, authority)))


def _add(api: FastAPI, pages: _Pages) -> None:
    for path, page in (
        ("/login", pages.login),
        ("/static/{path:path}", pages.static),
        ("/", pages.overview),
        ("/units/{unit}", pages.unit),
        ("/alarms", pages.alarms),
        ("/trends", pages.trends),
        ("/report", pages.report),
        ("/log-book", pages.log_book),
        ("/system", pages.system),
        ("/access", pages.access),
    ):
        api.add_api_route(path, page, methods=["GET"], include_in_schema=False, response_class=HTMLResponse)


class _Pages:
    def __init__(self, parts: WebParts, authority: Authority) -> None:
        self._parts = parts
        self._daemon = parts.daemon
        self._authority = authority
        self._models = Models(parts.daemon, parts.views)
        self._site = site_view(parts.daemon.site, parts.views)
        self._assets = Assets()

    @functools.cached_property
    def _templates(self) -> jinja2.Environment:
        """Read at the first page: a daemon that nobody looks at does without."""
        environment = jinja2.Environment(
            loader=jinja2.PackageLoader("daemon.web.pages"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        environment.globals.update(
            version=self._daemon.version,
            assets=self._assets.root,
            site=self._site,
            state_words=STATE_WORDS,
            unacknowledged=UNACKNOWLEDGED,
            priorities=PRIORITIES,
            key_values=KEY_VALUES,
            forecasts=FORECASTS,
            dead_after=DEAD_AFTER,
        )
        environment.filters.update(
            number=number_of,
            measure=measure_of,
            forecast=forecast_of,
            fit=fit_of,
            spread=spread_of,
            band_text=band_text,
            duration=duration_words,
            clock=self._models.clock,
            full_time=self._models.full_time,
            plain=plain,
        )
        return environment

    # ------------------------------------------------------------------ pages

    async def static(self, path: str) -> Response:
        asset = self._assets.get(f"/static/{path}")
        if asset is None:
            raise HTTPException(404, "no such file")
        return Response(asset.body, headers=asset.headers)

    async def login(self) -> HTMLResponse:
        body = self._templates.get_template("login.html.jinja").render(
            first_user=not self._authority.accounts.users
        )
        return HTMLResponse(body)

    async def overview(self, caller: CallerIs) -> HTMLResponse:
        return self._render("overview.html.jinja", caller, units=self._models.units())

    async def unit(self, unit: str, caller: CallerIs) -> HTMLResponse:
        model = self._models.unit(scanner_of(self._daemon, unit))
        return self._render(
            "unit.html.jinja",
            caller,
            one=model,
            groups=grouped(model.values),
            set_point=self._models.quantity_text(model.unit.reboiler.set_point, Quantity.TEMPERATURE),
        )

    async def alarms(
        self,
        caller: CallerIs,
        show: Annotated[str, Query(max_length=20)] = ATTENTION,
        unit: Annotated[str, Query(max_length=64)] = "",
        priority: Annotated[str, Query(max_length=10)] = "",
    ) -> HTMLResponse:
        every = self._models.alarms(everything=True)
        chosen = show if show in _FILTERS else ATTENTION
        kept = [
            alarm
            for alarm in every
            if _matches(alarm, chosen) and unit in {"", alarm.unit} and priority in {"", alarm.priority}
        ]
        counts = {name: sum(_matches(alarm, name) for alarm in every) for name in _FILTERS}
        return self._render(
            "alarms.html.jinja",
            caller,
            shown=kept,
            show=chosen,
            filters=_FILTERS,
            counts=counts,
            unit_filter=unit,
            priority_filter=priority,
        )

    async def trends(self, request: Request, caller: CallerIs) -> HTMLResponse:
        periods = {unit.name: unit.scan_period for unit in self._daemon.site.units}
        return self._render("trends.html.jinja", caller, chosen=self._chosen(request), scan_periods=periods)

    async def report(self, request: Request, caller: CallerIs) -> HTMLResponse:
        return self._render("report.html.jinja", caller, chosen=self._chosen(request))

    async def log_book(self, request: Request, caller: CallerIs) -> HTMLResponse:
        return self._render(
            "log-book.html.jinja",
            caller,
            chosen=self._chosen(request),
            sample_fields=sample_fields(),
            work=WORK,
        )

    async def access(self, caller: CallerIs) -> HTMLResponse:
        accounts = self._authority.accounts
        return self._render(
            "access.html.jinja",
            caller,
            users=[user_view(one) for one in accounts.users],
            tokens=[token_view(one) for one in accounts.tokens],
            roles=[role.value for role in Role],
            scopes=[scope.value for scope in SCOPES],
        )

    async def system(self, caller: CallerIs) -> HTMLResponse:
        scanners = list(self._daemon.fleet.scanners.values())
        now = self._daemon.clock.monotonic()
        return self._render(
            "system.html.jinja",
            caller,
            health=health_view(self._daemon),
            readiness=readiness_view(self._daemon),
            scanners=scanners,
            scan_ages={
                one.unit.name: None if one.latest is None else now - one.latest.monotonic for one in scanners
            },
            disk=disk_use(self._daemon.journal),
            tasks=self._daemon.tasks,
            streams=self._parts.broadcaster.clients,
        )

    # ------------------------------------------------------------------ what they share

    def _chosen(self, request: Request) -> str:
        """Return the unit that the address names, or the first."""
        unit = request.query_params.get("unit", "")
        known = [one.name for one in self._daemon.site.units]
        return unit if unit in known else known[0]

    def _render(self, template: str, caller: Principal, **content: Any) -> HTMLResponse:
        annunciated = [alarm for alarm in self._models.alarms() if alarm.annunciated]
        locked = self._authority.locked(caller)
        body = self._templates.get_template(template).render(
            now=rfc3339(self._daemon.clock.wall()),
            caller=caller,
            locked=locked,
            may_operate=Permission.OPERATE in caller.permissions and not locked,
            may_engineer=Permission.ENGINEER in caller.permissions and not locked,
            may_administer=Permission.ADMINISTER in caller.permissions and not locked,
            csrf="" if caller.session is None else caller.session.csrf,
            standing=annunciated,
            unacknowledged_count=sum(alarm.state in UNACKNOWLEDGED for alarm in annunciated),
            **content,
        )
        return HTMLResponse(body)


def _matches(alarm: AlarmView, show: str) -> bool:
    if show == ATTENTION:
        return alarm.annunciated
    return show == "all" or alarm.state in {"SHLVD", "DSUPR", "OOSRV"}
