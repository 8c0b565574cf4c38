"""What the operator reads: title, value with unit against the setpoint, and what happened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from config.alarms import ResolvedAlarm
from config.quantities import Quantity
from daemon.monitor.alarms.conditions import Observation
from daemon.monitor.alarms.lifecycle import LifeEvent

ValueFormatter = Callable[[Quantity, float], str]
"""Writes an SI value of a quantity with its unit, as the site shows it."""

_FAR: Final = 86400.0
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


def message(alarm: ResolvedAlarm, event: LifeEvent, seen: Observation, write: ValueFormatter) -> str:
    """Return one line that stands alone: what, how much, against which limit."""
    if event is LifeEvent.RAISED:
        return f"{alarm.title}: {situation(alarm, seen, write)}"
    if event in {LifeEvent.RETURNED, LifeEvent.LATCHED}:
        waits = ", waits for a reset" if event is LifeEvent.LATCHED else ""
        return f"{alarm.title}: condition gone{_now(alarm, seen, write)}{waits}"
    return f"{alarm.title}: {_SAID[event]}, {situation(alarm, seen, write)}"


def situation(alarm: ResolvedAlarm, seen: Observation, write: ValueFormatter) -> str:
    """Return how the input stands: value, comparison, setpoint; or why that cannot be told."""
    if alarm.condition == "link down":
        return seen.why
    if alarm.condition == "bad quality":
        return seen.why or f"good again{_now(alarm, seen, write)}"
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
    return f"{value}, {alarm.condition} limit {setpoint}"


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
