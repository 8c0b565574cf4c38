"""Set points that no value of a signal can reach: an alarm that looks as if it were in force and never comes.

Outside its gross range a value is bad, and a bad value raises no process alarm. A set point that lies there
is out of reach. One that lies between the end of the range and that of the gross range is reached only by a
transmitter that goes on beyond its range.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from config.alarms import ResolvedAlarm
from config.signals import gross_range_of, range_of
from config.site import DehydrationUnit
from config.units import UnitContext


class Reach(NamedTuple):
    """A set point beyond an end of its signal's range, in SI; ``never``: beyond the gross range too."""

    alarm: ResolvedAlarm
    setpoint: float
    end: float
    """Where the values that count end: of the gross range if ``never``, else of the range."""
    never: bool


def beyond_range(
    unit: DehydrationUnit, alarms: Iterable[ResolvedAlarm], context: UnitContext
) -> Iterator[Reach]:
    """Yield every high or low alarm whose fixed set point lies at or beyond the range of its signal."""
    for alarm in alarms:
        if alarm.source != "signal" or alarm.condition not in {"high", "low"}:
            continue
        signal = unit.signals[alarm.input]
        gross = gross_range_of(alarm.input, signal, context)
        if gross is None:
            continue
        span = range_of(alarm.input, signal, context) or gross
        side, sign = (1, 1.0) if alarm.condition == "high" else (0, -1.0)
        points = [point.value(None) for point in (alarm.setpoint, *alarm.setpoint_by_state.values()) if point]
        fixed = [sign * point for point in points if point is not None]
        if not fixed:
            continue
        farthest = max(fixed)
        for end, never in ((gross[side], True), (span[side], False)):
            if farthest >= sign * end:
                yield Reach(alarm, sign * farthest, end, never)
                break
