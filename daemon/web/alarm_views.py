"""How one alarm is shown: where it stands, and what it means."""

from __future__ import annotations

from daemon.monitor.alarms import AlarmSnapshot, messages
from daemon.times import rfc3339
from daemon.web.schemas import AlarmView
from daemon.web.views import Views, cause_view


def alarm_view(unit: str, snapshot: AlarmSnapshot, views: Views, *, defined: bool = False) -> AlarmView:
    """Show one alarm of a unit; ``defined`` with the words of its definition, which a list does not need."""
    alarm = snapshot.alarm
    return AlarmView(
        unit=unit,
        alarm=alarm.id,
        title=alarm.title,
        state=snapshot.state.value,
        annunciated=snapshot.state.annunciated,
        priority=alarm.priority,
        alarm_class=alarm.alarm_class,
        occurrence=snapshot.occurrence,
        since=None if snapshot.raised is None else rfc3339(snapshot.raised),
        message=snapshot.message,
        reason=snapshot.held or snapshot.suppression or snapshot.service_note,
        value=views.text(snapshot.value, alarm.setpoint_quantity),
        setpoint=views.text(snapshot.setpoint, alarm.setpoint_quantity),
        consequence=alarm.consequence,
        causes=list(alarm.causes),
        response=alarm.response,
        time_to_respond=alarm.time_to_respond,
        basis=alarm.basis,
        shelved_until=None if snapshot.shelf is None else rfc3339(snapshot.shelf.until),
        shelved_until_return=snapshot.shelf is not None and snapshot.shelf.until_return,
        first_out=snapshot.first_out,
        definition=messages.definition(alarm, views.write) if defined else "",
        diagnosis=[cause_view(candidate) for candidate in snapshot.diagnosis],
    )
