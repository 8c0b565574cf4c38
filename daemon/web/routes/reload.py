"""Taking the changed site file into force."""

from __future__ import annotations

from fastapi import FastAPI, HTTPException

from daemon.reload import ReloadRefused
from daemon.web.parts import Daemon
from daemon.web.responses import CallerIs, refusals
from daemon.web.schemas import ReloadAnswer, ReloadOrder

_REFUSED = refusals(
    s409="The site file is wrong, or changes what only a restart can change; what was in force still is."
)


def add_reload_route(api: FastAPI, daemon: Daemon) -> None:
    """Add the route of this subject."""

    @api.post("/v1/configuration/reload", tags=["system"], responses=_REFUSED)
    async def reload(order: ReloadOrder, caller: CallerIs) -> ReloadAnswer:
        """Read the site file again and take it into force as a whole, or refuse it as a whole.

        Alarms keep their state, shelvings and delays. Answers when the new configuration is in force.
        """
        if daemon.reload is None:
            raise HTTPException(409, "this daemon was started without a site file to read again")
        actor = order.actor if caller.via == "unix socket" else caller.name
        try:
            report = await daemon.reload(actor, order.reason)
        except ReloadRefused as refused:
            raise HTTPException(409, str(refused)) from None
        return ReloadAnswer(
            previous=report.previous, configuration=report.configuration, changed=list(report.changed)
        )
