"""Alarms: what stands, what it means, what an operator may do about it. Nothing reaches a controller."""

from __future__ import annotations

from fastapi import FastAPI, HTTPException

from daemon.journal.errors import StoreFailed
from daemon.model import ActionKind, AlarmState, OperatorAction
from daemon.monitor.alarms import ActionRefusedError, Refusal
from daemon.web.access.principal import Principal
from daemon.web.alarm_views import alarm_view
from daemon.web.parts import Daemon
from daemon.web.responses import CallerIs, alarm_holder_of, refusals
from daemon.web.schemas import AcknowledgeRequest, ActionAnswer, ActionRequest, AlarmView, ShelveRequest
from daemon.web.views import Views

_NO_ALARM = refusals(s404="This site has no such unit, or the unit no such alarm.")
_REFUSED = _NO_ALARM | refusals(
    s409="The alarm is not in a state for this, or something is missing; nothing has changed.",
    s503="It holds in the running daemon, but the disk does not take it now.",
)


def add_alarm_routes(api: FastAPI, daemon: Daemon, views: Views) -> None:
    """Add the routes of this subject."""

    @api.get("/v1/alarms", tags=["alarms"])
    async def alarms(*, all: bool = False) -> list[AlarmView]:  # noqa: A002 - the query's name
        """Alarms that are not normal; with ``all`` every configured alarm."""
        return [
            alarm_view(name, snapshot, views)
            for name, one in daemon.alarm_holders().items()
            for snapshot in one.monitor.alarms()
            if all or snapshot.state is not AlarmState.NORMAL
        ]

    @api.get("/v1/alarms/{unit}/{alarm}", tags=["alarms"], responses=_NO_ALARM)
    async def one_alarm(unit: str, alarm: str) -> AlarmView:
        """One alarm: where it stands, when it comes and goes, consequence, causes, response, diagnosis."""
        for snapshot in alarm_holder_of(daemon, unit).monitor.alarms():
            if snapshot.alarm.id == alarm:
                return alarm_view(unit, snapshot, views, defined=True)
        raise HTTPException(404, f"{unit} has no alarm {alarm}")

    async def act(
        kind: ActionKind, unit: str, alarm: str, caller: Principal, request: ActionRequest
    ) -> ActionAnswer:
        asked = OperatorAction(
            kind,
            unit,
            alarm,
            _actor(caller, request.actor),
            daemon.clock.wall(),
            daemon.clock.monotonic(),
            occurrence=getattr(request, "occurrence", ""),
            duration=getattr(request, "duration", 0.0),
            comment=request.comment,
            until_return=getattr(request, "until_return", False),
        )
        holder = alarm_holder_of(daemon, unit)
        try:
            transitions = await holder.apply(asked)
        except ActionRefusedError as refused:
            _audit(daemon, asked, caller, f"refused: {refused}")
            raise HTTPException(
                404 if refused.refusal is Refusal.UNKNOWN_ALARM else 409, str(refused)
            ) from None
        except StoreFailed as failed:
            raise HTTPException(503, f"done, but a restart would forget it: {failed}") from None
        _audit(daemon, asked, caller, "done" if transitions else "already so")
        return ActionAnswer(transitions=[views.transition(step) for step in transitions])

    @api.post("/v1/alarms/{unit}/{alarm}/acknowledge", tags=["alarms"], responses=_REFUSED)
    async def acknowledge(
        unit: str, alarm: str, request: AcknowledgeRequest, caller: CallerIs
    ) -> ActionAnswer:
        """Say that you have seen this occurrence and act on it. Answers when this is kept durably."""
        return await act(ActionKind.ACKNOWLEDGE, unit, alarm, caller, request)

    @api.post("/v1/alarms/{unit}/{alarm}/shelve", tags=["alarms"], responses=_REFUSED)
    async def shelve(unit: str, alarm: str, request: ShelveRequest, caller: CallerIs) -> ActionAnswer:
        """Take an alarm from view for a limited time. It always comes back by itself."""
        return await act(ActionKind.SHELVE, unit, alarm, caller, request)

    @api.post("/v1/alarms/{unit}/{alarm}/unshelve", tags=["alarms"], responses=_REFUSED)
    async def unshelve(unit: str, alarm: str, request: ActionRequest, caller: CallerIs) -> ActionAnswer:
        """Bring a shelved alarm back now."""
        return await act(ActionKind.UNSHELVE, unit, alarm, caller, request)

    @api.post("/v1/alarms/{unit}/{alarm}/reset", tags=["alarms"], responses=_REFUSED)
    async def reset(unit: str, alarm: str, request: ActionRequest, caller: CallerIs) -> ActionAnswer:
        """Clear a latched alarm whose condition is gone."""
        return await act(ActionKind.RESET, unit, alarm, caller, request)

    @api.post("/v1/alarms/{unit}/{alarm}/remove-from-service", tags=["alarms"], responses=_REFUSED)
    async def remove(unit: str, alarm: str, request: ActionRequest, caller: CallerIs) -> ActionAnswer:
        """Remove an alarm from service for maintenance, until it is returned; the comment says why."""
        return await act(ActionKind.REMOVE_FROM_SERVICE, unit, alarm, caller, request)

    @api.post("/v1/alarms/{unit}/{alarm}/return-to-service", tags=["alarms"], responses=_REFUSED)
    async def give_back(unit: str, alarm: str, request: ActionRequest, caller: CallerIs) -> ActionAnswer:
        """Return an alarm to service."""
        return await act(ActionKind.RETURN_TO_SERVICE, unit, alarm, caller, request)


def _actor(caller: Principal, named: str) -> str:
    """Return who acts: the authenticated user; a free name counts on the Unix socket only."""
    if caller.via == "unix socket":
        return named
    if named not in {"", caller.name}:
        raise HTTPException(
            403, f"you are logged in as {caller.name} and cannot act as {named}; leave actor away"
        )
    return caller.name


def _audit(daemon: Daemon, asked: OperatorAction, caller: Principal, result: str) -> None:
    daemon.audit(
        "operator action",
        f"{asked.actor or 'nobody'}: {asked.kind.value} {asked.unit} {asked.alarm}: {result}",
        actor=asked.actor,
        via=caller.via,
        address=caller.address,
        result=result,
    )
