"""The log book: lab samples and maintenance work, kept in the journal. Nothing reaches a controller."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import FastAPI, HTTPException

from daemon.journal.errors import JournalError
from daemon.logbook import EntryRefused, maintenance_event, sample_event
from daemon.model import Event, OperatingState, Outcome
from daemon.web.access.principal import Principal
from daemon.web.logbook_schemas import EntryAnswer, MaintenanceRequest, SampleRequest
from daemon.web.parts import Daemon
from daemon.web.responses import CallerIs, refusals, scanner_of

_REFUSED = refusals(
    s404="This site has no such unit.",
    s409="The entry cannot be right; the text says why. Nothing was kept.",
    s503="The disk does not take it now.",
)


def add_logbook_routes(api: FastAPI, daemon: Daemon) -> None:
    """Add the routes of this subject."""

    async def keep(unit: str, make: Callable[[float], Event]) -> EntryAnswer:
        scanner_of(daemon, unit)
        now = daemon.clock.wall()
        try:
            event = make(now)
        except EntryRefused as refused:
            raise HTTPException(409, str(refused)) from None
        outcome = Outcome(
            unit, 0, now, daemon.clock.monotonic(), OperatingState.UNKNOWN, {}, {}, (), (event,)
        )
        try:
            await daemon.writer.committed(outcome)
        except JournalError as failed:
            raise HTTPException(503, f"not kept: {failed}") from None
        return EntryAnswer(kept=event.message)

    @api.post("/v1/units/{unit}/samples", tags=["log book"], responses=_REFUSED)
    async def add_sample(unit: str, request: SampleRequest, caller: CallerIs) -> EntryAnswer:
        """Keep a laboratory sample of a unit's glycol. Answers when it is kept durably."""
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


def _actor(caller: Principal, named: str) -> str:
    """Return who enters it: the authenticated user; a free name counts on the Unix socket only."""
    if caller.via == "unix socket":
        return named
    if named not in {"", caller.name}:
        raise HTTPException(403, f"you are logged in as {caller.name} and cannot enter it as {named}")
    return caller.name
