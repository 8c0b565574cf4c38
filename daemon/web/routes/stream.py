"""Live values and alarms as server-sent events."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, HTTPException, Query

from daemon.web.access.principal import Gate
from daemon.web.broadcast import HEARTBEAT, Broadcaster, StreamsFull
from daemon.web.parts import Daemon
from daemon.web.responses import NO_UNIT, CallerIs, LongAnswer, Responses, refusals, scanner_of

_EVENTS: Responses = {
    200: {
        "description": f"Server-sent events; a comment line comes at least every {HEARTBEAT:g} s.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    }
}


def add_stream_routes(api: FastAPI, daemon: Daemon, broadcaster: Broadcaster, gate: Gate) -> None:
    """Add the routes of this subject."""

    @api.get(
        "/v1/stream",
        tags=["stream"],
        response_class=LongAnswer,
        responses=NO_UNIT | refusals(s503="As many clients as are allowed follow already.") | _EVENTS,
    )
    async def stream(
        caller: CallerIs, unit: Annotated[str | None, Query(description="Only of this unit.")] = None
    ) -> LongAnswer:
        """Follow live: ``unit`` (a unit after every scan), ``alarm`` (a step of an alarm), ``event``.

        ``missed`` says that this client did not keep up and should ask for the present state anew,
        ``ended`` that its credential has ended. Silence for longer than the heartbeat means a dead link.
        """
        if unit is not None:
            scanner_of(daemon, unit)
        try:
            pieces = broadcaster.follow(lambda: gate.holds(caller), unit)
        except StreamsFull as full:
            raise HTTPException(503, str(full), headers={"Retry-After": "10"}) from None
        return LongAnswer(pieces, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
