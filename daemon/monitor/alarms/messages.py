"""What the operator reads: title, value with unit against the setpoint, and what happened."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from typing import Final, get_args

from config.alarms import ResolvedAlarm, SetPoint, StateName
from config.quantities import Quantity
from config.setpoints import difference
from daemon.monitor.alarms.conditions import Observation, Position
from daemon.monitor.alarms.lifecycle import LifeEvent

ValueFormatter = Callable[[Quantity, float], str]
"""Writes an SI value of a quantity with its unit, as the site shows it."""

_FAR: Final = 86400.0
_BLIND_TOLD: Final = 3
"""A message names at most so many alarms that are blind; the consequence names all."""
_SAID: Final = {
    LifeEvent.RE_ALARMED: "still not resolved",
    LifeEvent.ACKNOWLEDGED: "acknowledged",
    LifeEvent.RESET: "reset",
    LifeEvent.SHELVED: "shelved",
    LifeEvent.UNSHELVED: "shelving ended",
    LifeEvent.SUPPRESSED: "suppressed by design",
    LifeEvent.UNSUPPRESSED: "suppression by design ended",
    LifeEvent.REMOVED: "removed from service",
    LifeEvent.RETURNED_TO_SERVICE: "returned to service",
}
_QUALITY: Final = {
    "hold": "a bad input neither raises nor clears it",
    "alarm": "a bad input raises it",
    "suppress": "a bad input suppresses it",
}
_WITHOUT_SETPOINT: Final = {
    "state true": "true",
    "state false": "false",
    "bad quality": "quality bad",
}


def message(alarm: ResolvedAlarm, event: LifeEvent, seen: Observation, write: ValueFormatter) -> str:
    """Return one line that stands alone: what, how much, against which limit."""
    if event is LifeEvent.RAISED:
        return f"{alarm.title}: {situation(alarm, seen, write)}"
    if event in {LifeEvent.RETURNED, LifeEvent.LATCHED, LifeEvent.CLEARED}:
        waits = ", waits for a reset" if event is LifeEvent.LATCHED else ""
        return f"{alarm.title}: condition gone{_now(alarm, seen, write)}{waits}"
    return f"{alarm.title}: {_SAID[event]}, {situation(alarm, seen, write)}"


def situation(
    alarm: ResolvedAlarm, seen: Observation, write: ValueFormatter, *, standing: bool = False
) -> str:
    """Return how the input stands: value, comparison, setpoint; or why that cannot be told.

    An alarm that stands by its deadband alone says where it goes: it would read like a false one.
    """
    if alarm.condition == "link down":
        return seen.why
    if alarm.condition == "bad quality":
        return _bad(alarm, seen) if seen.why else f"good again{_now(alarm, seen, write)}"
    if seen.value is None:
        return f"no usable value ({seen.why})" if seen.why else "no usable value"
    if alarm.condition in {"state true", "state false"}:
        why = f" ({seen.why})" if seen.why else ""
        return f"{_words(alarm.input)}: {'yes' if seen.value >= 0.5 else 'no'}{why}"
    value = write(alarm.setpoint_quantity, seen.value)
    if seen.setpoint is None:
        return f"{value}, the setpoint has no usable value"
    if alarm.condition == "predicted":
        limit = _minutes(seen.setpoint)
        return f"limit in {_minutes(seen.value)} at the present trend, {seen.why}, warns below {limit}"
    setpoint = write(alarm.setpoint_quantity, seen.setpoint)
    if alarm.condition == "deviation":
        return f"{value} away from {_words(alarm.deviation_from)}, limit {setpoint}"
    if alarm.condition in {"rate high", "rate low"}:
        return f"changed by {value} in {duration_words(alarm.window)}, limit {setpoint}"
    goes = ""
    if standing and seen.position is Position.BETWEEN:
        band = alarm.band(seen.setpoint)
        back = seen.setpoint - band if alarm.condition == "high" else seen.setpoint + band
        way = "below" if alarm.condition == "high" else "above"
        goes = f", goes {way} {write(alarm.setpoint_quantity, back)}"
    return f"{value}, {alarm.condition} limit {setpoint}{goes}"


def _bad(alarm: ResolvedAlarm, seen: Observation) -> str:
    """Say what is wrong with an instrument and what nobody watches meanwhile."""
    if not alarm.blinds or seen.position is not Position.BEYOND:
        return seen.why
    more = len(alarm.blinds) - _BLIND_TOLD
    rest = f" and {more} more" if more > 0 else ""
    return f"{seen.why}; blind meanwhile: {', '.join(alarm.blinds[:_BLIND_TOLD])}{rest}"


def definition(alarm: ResolvedAlarm, write: ValueFormatter) -> str:
    """Return in words when the alarm comes and goes, and what may hide it."""
    write = _short_durations(write)
    parts = [_condition(alarm, write)]
    if alarm.deadband:
        deadband = write(difference(alarm.setpoint_quantity), alarm.deadband)
        parts.append(f"goes {deadband} back past the set point")
    if alarm.deadband_share:
        parts.append(f"goes {100.0 * alarm.deadband_share:g} % of the set point back past it")
    parts += [
        words
        for applies, words in (
            (alarm.on_delay, f"must last {duration_words(alarm.on_delay)}"),
            (alarm.off_delay, f"must be gone for {duration_words(alarm.off_delay)}"),
            (alarm.states, f"in force while the unit is {_listed(alarm.states, StateName)}"),
            (alarm.settle_time, f"from {duration_words(alarm.settle_time)} after it came there"),
            (
                alarm.longest_suppression,
                f"suppressed for {duration_words(alarm.longest_suppression or 0.0)} at most on the way there",
            ),
            (alarm.suppressed_by, f"suppressed by {', '.join(alarm.suppressed_by)}"),
            (alarm.condition not in {"bad quality", "link down"}, _QUALITY[alarm.quality_policy]),
            (alarm.latching, "stays until it is reset"),
            (not alarm.ack_required, "needs no acknowledgement once it is gone"),
            (alarm.re_alarm, f"repeats while it stands every {duration_words(alarm.re_alarm or 0.0)}"),
            (
                True,
                f"may be shelved for {duration_words(alarm.maximum_shelving)} at most"
                if alarm.maximum_shelving
                else "may not be shelved",
            ),
        )
        if applies
    ]
    return "; ".join(parts)


def _condition(alarm: ResolvedAlarm, write: ValueFormatter) -> str:
    name = _words(alarm.input)
    if alarm.condition == "link down":
        return f"connection to {alarm.input} lost"
    if alarm.setpoint is None:
        return f"{name}: {_WITHOUT_SETPOINT[alarm.condition]}"
    limits = [_setpoint(alarm.setpoint, alarm.setpoint_quantity, write)]
    limits += [
        f"{_setpoint(point, alarm.setpoint_quantity, write)} while {state}"
        for state, point in alarm.setpoint_by_state.items()
    ]
    limit = ", ".join(limits)
    match alarm.condition:
        case "predicted":
            return f"{name}: below {limit} by the earliest estimate"
        case "deviation":
            return f"{name}: more than {limit} away from {_words(alarm.deviation_from)}"
        case "rate high" | "rate low":
            way = "more" if alarm.condition == "rate high" else "less"
            return f"{name}: changes by {way} than {limit} in {duration_words(alarm.window)}"
    return f"{name}: {'above' if alarm.condition == 'high' else 'below'} {limit}"


def _short_durations(write: ValueFormatter) -> ValueFormatter:
    def written(quantity: Quantity, si: float) -> str:
        return duration_words(si) if quantity is Quantity.DURATION else write(quantity, si)

    return written


def _setpoint(point: SetPoint, quantity: Quantity, write: ValueFormatter) -> str:
    """Write a setpoint: the number, or what it follows."""
    if not point.reference:
        return write(quantity, point.offset)
    words = _words(point.reference)
    if point.factor != 1.0:
        words = f"{point.factor:g} times {words}"
    if point.offset:
        shift = write(difference(quantity), abs(point.offset))
        words += f" {'plus' if point.offset > 0 else 'minus'} {shift}"
    for bound, side in ((point.at_least, "at least"), (point.at_most, "at most")):
        if math.isfinite(bound):
            words += f", {side} {write(quantity, bound)}"
    return words


def _listed(names: Collection[str], order: object) -> str:
    return " or ".join(name for name in get_args(order) if name in names)


def _now(alarm: ResolvedAlarm, seen: Observation, write: ValueFormatter) -> str:
    if seen.value is None or alarm.condition in {"link down", "state true", "state false"}:
        return ""
    if alarm.condition == "predicted":
        return f", limit in {_minutes(seen.value)} at the present trend"
    return f", now {write(alarm.setpoint_quantity, seen.value)}"


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.0f} min" if seconds < _FAR else "a day or more"


def _words(name: str) -> str:
    return name.replace("_", " ")


def duration_words(seconds: float) -> str:
    """Write a duration in the largest unit that gives a whole number."""
    for size, unit in ((3600.0, "h"), (60.0, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:g} s"
