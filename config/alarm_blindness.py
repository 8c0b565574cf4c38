"""Which alarms are blind without a signal, and how urgent its failure is therefore.

A signal that has failed raises none of the alarms that need it. Its own alarm says which these are, and takes
from them how urgent it is: a thermometer on which a safety alarm hangs is as urgent as a pressure gone wrong.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from config.alarm_inputs import missing_signals
from config.alarms import PriorityName, ResolvedAlarm
from config.quantities import RESULT_KINDS

INSTRUMENT_BAD = "instrument_bad"
"""The packaged alarm that every signal has."""
_RANKS: tuple[PriorityName, ...] = ("low", "medium", "high", "highest")


def told_by_instruments(
    alarms: Sequence[ResolvedAlarm], has: Collection[str], kept: Collection[str] = ()
) -> tuple[ResolvedAlarm, ...]:
    """Return a unit's alarms with every signal's own one as urgent as what it blinds, which its texts name.

    High where an alarm of the safety class is blind, medium where one of medium priority or higher is, and
    then with the shortest of their times to respond; else as defined. High and not highest: that a value is
    missing, or out of range, is no verdict on the process.

    Blind are safety alarms first, then those of the highest priority. ``has`` is what the unit has
    (``config.alarm_inputs.known_of``). ``kept`` are the ids whose priority the site has decided itself.
    """
    looked_at = {alarm.id: _looked_at(alarm) for alarm in alarms}
    # Names are looked up as the alarms do: a result where it can be calculated, else a signal.
    calculated = frozenset(
        name
        for name in frozenset().union(*looked_at.values())
        if name in RESULT_KINDS and not missing_signals(name, has)
    )

    def blind_without(signal: str) -> tuple[ResolvedAlarm, ...]:
        left = frozenset(has) - {signal}
        lost = {name for name in calculated if missing_signals(name, left)} | ({signal} - calculated)
        found = [alarm for alarm in alarms if not lost.isdisjoint(looked_at[alarm.id])]
        return tuple(
            sorted(found, key=lambda one: (one.alarm_class != "safety", -_RANKS.index(one.priority)))
        )

    return tuple(
        _told(alarm, blind_without(alarm.input), keep=alarm.id in kept)
        if alarm.id == f"{INSTRUMENT_BAD}.{alarm.input}"
        else alarm
        for alarm in alarms
    )


def _told(alarm: ResolvedAlarm, blind: tuple[ResolvedAlarm, ...], *, keep: bool) -> ResolvedAlarm:
    if not blind:
        return alarm
    titles = tuple(one.title for one in blind)
    alarm = replace(
        alarm, blinds=titles, consequence=f"{alarm.consequence} Blind meanwhile: {'; '.join(titles)}."
    )
    safety = [one for one in blind if one.alarm_class == "safety"]
    urgent = safety or [one for one in blind if one.priority != "low"]
    least: PriorityName = "high" if safety else "medium"
    if keep or not urgent or _RANKS.index(alarm.priority) >= _RANKS.index(least):
        return alarm
    shortest = min(alarm.time_to_respond, *(one.time_to_respond for one in urgent))
    return replace(alarm, priority=least, time_to_respond=shortest, ack_required=True)


def _looked_at(alarm: ResolvedAlarm) -> frozenset[str]:
    """Return the names of the process values that an alarm is judged by."""
    if alarm.condition in {"bad quality", "link down"}:
        return frozenset()
    points = (alarm.setpoint, *alarm.setpoint_by_state.values())
    references = {point.reference for point in points if point is not None}
    return frozenset({alarm.input, alarm.deviation_from, *references} - {""})
