"""The log book: lab samples and maintenance work, kept in the journal. Nothing reaches a controller."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Annotated

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import JSONResponse

from daemon.journal.errors import JournalError, NotStored
from daemon.journal.queries import History
from daemon.logbook import EntryRefused, maintenance_event, sample_event
from daemon.model import EntryKind, Event
from daemon.monitor.entries import LAB_SAMPLE, MAINTENANCE
from daemon.times import rfc3339
from daemon.web.access.principal import Principal
from daemon.web.history_service import HistoryService
from daemon.web.logbook_schemas import EntryAnswer, EntryView, MaintenanceRequest, SampleRequest
from daemon.web.parts import Daemon
from daemon.web.responses import BUSY, NO_UNIT, CallerIs, refusals, scanner_of
from daemon.web.routes.history import Start, asked, span_of

_REFUSED = refusals(
    s404="This site has no such unit.",
    s409="The entry cannot be right; the text says why. Nothing was kept.",
    s503="The disk does not take it now.",
)
SHOWN = 200
"""Entries that one answer holds: the newest."""


def add_logbook_routes(api: FastAPI, daemon: Daemon, history: HistoryService) -> None:
    """Add the routes of this subject."""
    api.exception_handler(EntryRefused)(_refused)

    @api.get("/v1/log-book", tags=["log book"], responses=NO_UNIT | BUSY)
    async def entries(
        start: Start = "-90d", unit: Annotated[str | None, Query(max_length=64)] = None
    ) -> list[EntryView]:
        """List lab samples and maintenance work that were entered since a time, the newest first."""
        if unit is not None:
            scanner_of(daemon, unit)
        since, until = span_of(daemon, start, "now")
        return await asked(history.ask(lambda stored: _newest(stored, since, until + 1.0, unit)))

    async def keep(unit: str, make: Callable[[float], Event]) -> EntryAnswer:
        scanner = scanner_of(daemon, unit)
        now = daemon.clock.wall()
        event = make(now)
        try:
            told = await scanner.enter(event)
        except JournalError as failed:
            text = (
                f"the disk does not take it now: {failed}; it counts, and will be kept when the disk recovers"
            )
            raise HTTPException(503, text) from None
        return EntryAnswer(kept=event.message, effects=[one.message for one in told])

    @api.post("/v1/units/{unit}/samples", tags=["log book"], responses=_REFUSED)
    async def add_sample(unit: str, request: SampleRequest, caller: CallerIs) -> EntryAnswer:
        """Keep a laboratory sample of a unit's glycol. Answers when it is kept durably.

        Water in the lean glycol corrects the calculated purity, and all that rests on it; the answer says
        what it did, or why it was not used.
        """
        actor = _actor(caller, request.actor)
        return await keep(
            unit,
            lambda now: sample_event(unit, request.taken or now, now, request.values(), actor, request.note),
        )

    @api.post("/v1/units/{unit}/maintenance", tags=["log book"], responses=_REFUSED)
    async def add_maintenance(unit: str, request: MaintenanceRequest, caller: CallerIs) -> EntryAnswer:
        """Keep that work was done at a unit. Answers when it is kept durably."""
        actor = _actor(caller, request.actor)
        return await keep(
            unit,
            lambda now: maintenance_event(unit, request.work, request.done or now, now, actor, request.note),
        )


async def _refused(_request: Request, error: Exception) -> JSONResponse:
    """Say which field of an entry cannot be right, and why."""
    assert isinstance(error, EntryRefused)  # noqa: S101 - registered for this class only
    return JSONResponse({"detail": str(error), "field": error.field}, status_code=409)


def _newest(stored: History, since: float, until: float, unit: str | None) -> list[EntryView]:
    found: deque[Event] = deque(maxlen=SHOWN)
    try:
        for entry in stored.records(since, until, kinds=[EntryKind.EVENT], unit=unit):
            if isinstance(entry.body, Event) and entry.body.kind in {LAB_SAMPLE, MAINTENANCE}:
                found.append(entry.body)
    except NotStored:
        return []  # the site has the unit, and nothing has happened there yet
    return [_view(event) for event in reversed(found)]


def _view(event: Event) -> EntryView:
    happened = event.data.get("taken" if event.kind == LAB_SAMPLE else "done")
    return EntryView(
        unit=event.unit,
        kind="lab sample" if event.kind == LAB_SAMPLE else "maintenance",
        happened=rfc3339(float(happened) if isinstance(happened, int | float) else event.time),
        entered=rfc3339(event.time),
        message=event.message,
        actor=str(event.data.get("actor") or ""),
    )


def _actor(caller: Principal, named: str) -> str:
    """Return who enters it: the authenticated user; a free name counts on the Unix socket only."""
    if caller.via == "unix socket":
        return named
    if named not in {"", caller.name}:
        raise HTTPException(403, f"you are logged in as {caller.name} and cannot enter it as {named}")
    return caller.name
