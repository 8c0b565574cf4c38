"""The ways out: try one with a test message."""

from __future__ import annotations

import asyncio

from fastapi import FastAPI, HTTPException

from daemon.sinks.base import DeliveryFailed
from daemon.web.parts import Daemon
from daemon.web.responses import CallerIs, refusals
from daemon.web.schemas import LivenessView

PATIENCE = 30.0
"""How long a receiver may take to acknowledge a test message [s]."""
_REFUSED = refusals(
    s404="This site has no such sink.", s502="The receiver did not take the message; the text says why."
)


def add_sink_routes(api: FastAPI, daemon: Daemon) -> None:
    """Add the routes of this subject."""

    @api.post("/v1/sinks/{name}/test", tags=["system"], responses=_REFUSED)
    async def test(name: str, caller: CallerIs) -> LivenessView:
        """Send a test message by a sink now, past the journal. Answers when the receiver has taken it."""
        sink = next((one for one in daemon.sinks if one.name == name), None)
        if sink is None:
            there = ", ".join(one.name for one in daemon.sinks) or "none"
            raise HTTPException(404, f"this site has no sink {name}; there are: {there}")
        failure = ""
        try:
            async with asyncio.timeout(PATIENCE):
                await sink.test(daemon.site.site.name)
        except DeliveryFailed as failed:
            failure = failed.reason
        except TimeoutError:
            failure = f"no answer within {PATIENCE:.0f} s"
        daemon.audit(
            "route test",
            f"{caller.name} tried {name}: {failure or 'taken'}",
            actor=caller.name,
            via=caller.via,
            result=failure or "taken",
        )
        if failure:
            raise HTTPException(502, f"{name} did not take the test message: {failure}")
        return LivenessView()
