"""What the routes share: refusals for the OpenAPI document, long answers, the caller."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncGenerator
from typing import Annotated, Any, cast

from fastapi import Depends, HTTPException, Request
from fastapi.responses import StreamingResponse
from starlette.types import Send

from daemon.acquisition import UnitScanner
from daemon.self_watch import AlarmHolder
from daemon.web.access.principal import Principal
from daemon.web.parts import Daemon
from daemon.web.schemas import Refusal

Responses = dict[int | str, dict[str, Any]]


def refusals(**reasons: str) -> Responses:
    """Return OpenAPI entries for refusals, by ``s404="why"``.

    They point at the schema by name: as models of each route they would take most of the time of a start.
    """
    content = {"application/json": {"schema": {"$ref": f"#/components/schemas/{Refusal.__name__}"}}}
    return {
        int(status[1:]): {"description": reason, "content": content} for status, reason in reasons.items()
    }


EVERY_ROUTE = refusals(
    s400="The request is not well formed.",
    s401="No valid credential.",
    s403="The caller may not do this, or a change came from another site's page.",
    s408="The request took too long to come.",
    s413="The request is larger than 256 KiB.",
    s422="A parameter or the body is not what it should be; the text says which and why.",
    s429="Too many requests; Retry-After says when to come again.",
    s500="A defect; the daemon's log tells more under the number in the text.",
)
NO_UNIT = refusals(s404="This site has no such unit, or it has not been scanned yet.")
BUSY = refusals(s503="Too many such questions are under way, or the journal cannot be read.")


def _principal(request: Request) -> Principal:
    return cast("Principal", request.scope["principal"])


CallerIs = Annotated[Principal, Depends(_principal)]
"""The authenticated caller, for a route's parameters."""


def scanner_of(daemon: Daemon, unit: str) -> UnitScanner:
    """Return the scanner of a unit; answers 404 where there is none."""
    found = daemon.fleet.scanners.get(unit)
    if found is None:
        there = ", ".join(daemon.fleet.scanners)
        raise HTTPException(404, f"this site has no unit {unit}; there are: {there}")
    return found


def alarm_holder_of(daemon: Daemon, unit: str) -> AlarmHolder:
    """Return whose alarms stand under a name, a unit's or the daemon's; 404 where there is none."""
    holders = daemon.alarm_holders()
    if unit not in holders:
        raise HTTPException(404, f"this site has no unit {unit}; there are: {', '.join(holders)}")
    return holders[unit]


class LongAnswer(StreamingResponse):
    """A streamed answer whose source is closed at once when the client goes."""

    async def stream_response(self, send: Send) -> None:
        """Send piece by piece."""
        async with contextlib.aclosing(cast("AsyncGenerator[bytes]", self.body_iterator)):
            await super().stream_response(send)
