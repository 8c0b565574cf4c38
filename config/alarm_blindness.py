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


def blinded(signal: str, alarms: Sequence[ResolvedAlarm], has: Collection[str]) -> tuple[ResolvedAlarm, ...]:
    """Return the alarms that cannot be judged without a signal: safety first, then by priority.

    Parameters
    ----------
    signal : str
        The signal that has failed.
    alarms : sequence of ResolvedAlarm
        The unit's alarms.
    has : collection of str
        What the unit has (``config.alarm_inputs.known_of``).
    """
    left = frozenset(has) - {signal}
    found = [
        alarm
        for alarm in alarms
        if alarm.condition not in {"bad quality", "link down"}
        and any(_needs(name, signal, has, left) for name in _looked_at(alarm))
    ]
    return tuple(sorted(found, key=lambda one: (one.alarm_class != "safety", -_RANKS.index(one.priority))))


def told_by_instruments(
    alarms: Sequence[ResolvedAlarm], has: Collection[str], kept: Collection[str] = ()
) -> tuple[ResolvedAlarm, ...]:
    """Return the alarms with every signal's own one as urgent as what it blinds, which its texts name.

    High where an alarm of the safety class is blind, medium where one of medium priority or higher is, and
    then with the shortest of their times to respond; else as defined. High and not highest: that a value is
    missing, or out of range, is no verdict on the process.

    ``kept`` are the ids whose priority the site has decided itself.
    """
    return tuple(
        _told(alarm, blinded(alarm.input, alarms, has), keep=alarm.id in kept)
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


def _looked_at(alarm: ResolvedAlarm) -> set[str]:
    points = (alarm.setpoint, *alarm.setpoint_by_state.values())
    references = {point.reference for point in points if point is not None}
    return {alarm.input, alarm.deviation_from, *references} - {""}


def _needs(name: str, signal: str, has: Collection[str], left: Collection[str]) -> bool:
    """Whether a name, looked up as the alarms do (a result where it can be calculated), needs the signal."""
    if name in RESULT_KINDS and not missing_signals(name, has):
        return bool(missing_signals(name, left))
    return name == signal
