"""The HTTP API, version 1: read the units, read and answer the alarms. No route can reach a controller."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import FastAPI, HTTPException, Path
from fastapi.responses import StreamingResponse

from config.site import Site
from daemon.acquisition import Fleet, UnitScanner
from daemon.clock import Clock
from daemon.journal.live import Subscription
from daemon.model import ActionKind, AlarmState, OperatorAction
from daemon.monitor.alarms import ActionRefusedError, Refusal
from daemon.web.alarm_views import alarm_view
from daemon.web.schemas import (
    ActionAnswer,
    ActionRequest,
    AlarmView,
    HealthView,
    TransitionView,
    UnitView,
)
from daemon.web.schemas import Refusal as RefusalView
from daemon.web.views import Views

ACTIONS = {kind.value.replace(" ", "-"): kind for kind in ActionKind}
_NOT_FOUND = {Refusal.UNKNOWN_ALARM}


@dataclass(frozen=True, slots=True)
class Daemon:
    """What the API is built on; nothing in it leads to a source."""

    site: Site
    fleet: Fleet
    clock: Clock
    subscribe: Callable[[], Subscription]
    health: Callable[[], HealthView]


def create_api(daemon: Daemon) -> FastAPI:
    """Build the application."""
    api = FastAPI(
        title="tegwatch",
        version="1",
        description="Read-only toward the plant: actions change alarms of this daemon and nothing else.",
    )
    views = Views(daemon.site)

    def scanner(unit: str) -> UnitScanner:
        found = daemon.fleet.scanners.get(unit)
        if found is None:
            raise HTTPException(404, f"this site has no unit {unit}")
        return found

    def unit_view(one: UnitScanner) -> UnitView | None:
        return views.unit(one.unit, one.latest) if one.latest is not None else None

    @api.get("/v1/health")
    async def health() -> HealthView:
        """How the daemon itself is doing."""
        return daemon.health()

    @api.get("/v1/units")
    async def units() -> list[UnitView]:
        """Every unit that has been scanned, with its newest values."""
        found = (unit_view(one) for one in daemon.fleet.scanners.values())
        return [view for view in found if view is not None]

    @api.get("/v1/units/{unit}", responses={404: {"model": RefusalView}})
    async def one_unit(unit: str) -> UnitView:
        """One unit's newest values."""
        view = unit_view(scanner(unit))
        if view is None:
            raise HTTPException(404, f"{unit} has not been scanned yet")
        return view

    @api.get("/v1/alarms")
    async def alarms(*, all: bool = False) -> list[AlarmView]:  # noqa: A002 - the query's name
        """Alarms that are not normal, the most important first; with ``all`` every configured alarm."""
        return [
            alarm_view(one.unit.name, snapshot, views)
            for one in daemon.fleet.scanners.values()
            for snapshot in one.monitor.alarms()
            if all or snapshot.state is not AlarmState.NORMAL
        ]

    @api.post(
        "/v1/alarms/{unit}/{alarm}/{action}",
        responses={404: {"model": RefusalView}, 409: {"model": RefusalView}},
    )
    async def act(
        unit: str,
        alarm: str,
        action: Annotated[str, Path(pattern="^(" + "|".join(ACTIONS) + ")$")],
        request: ActionRequest,
    ) -> ActionAnswer:
        """Acknowledge, shelve, unshelve, reset, remove from service or return to service.

        The answer comes when the change is kept durably.
        """
        asked = OperatorAction(
            ACTIONS[action],
            unit,
            alarm,
            request.actor,
            daemon.clock.wall(),
            daemon.clock.monotonic(),
            request.occurrence,
            request.duration,
            request.comment,
        )
        try:
            transitions = await scanner(unit).apply(asked)
        except ActionRefusedError as refused:
            raise HTTPException(404 if refused.refusal in _NOT_FOUND else 409, str(refused)) from None
        return ActionAnswer(transitions=[views.transition(step) for step in transitions])

    @api.get("/v1/stream")
    async def stream() -> StreamingResponse:
        """Server-sent events: ``unit`` after every scan, ``alarm`` for every step of an alarm, ``event``."""
        return StreamingResponse(_events(daemon, views), media_type="text/event-stream")

    return api


async def _events(daemon: Daemon, views: Views) -> AsyncIterator[str]:
    units = {unit.name: unit for unit in daemon.site.units}
    subscription = daemon.subscribe()
    try:
        async for published in subscription:
            outcome = published.outcome
            if outcome.signals or outcome.results:
                yield _sse("unit", views.unit(units[outcome.unit], outcome))
            for step in outcome.alarms:
                yield _sse("alarm", views.transition(step))
            for event in outcome.events:
                body = {"unit": event.unit, "kind": event.kind, "message": event.message, "time": event.time}
                yield f"event: event\ndata: {json.dumps(body)}\n\n"
    finally:
        subscription.close()


def _sse(name: str, view: UnitView | TransitionView) -> str:
    return f"event: {name}\ndata: {view.model_dump_json()}\n\n"
