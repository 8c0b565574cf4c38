"""What stands beside a value: the limits of its alarms, its normal band and the scale of its bar. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.site import DehydrationUnit
from config.units import DisplayUnit, UnitContext, conversion
from daemon.monitor.alarms import AlarmSnapshot

_SHOULDER = 0.5
"""Room on a bar beyond a limit, as a share of the normal band."""
_OPEN_SPAN: Mapping[Quantity, float] = {
    Quantity.TEMPERATURE: 30.0,
    Quantity.TEMPERATURE_DIFFERENCE: 20.0,
    Quantity.PRESSURE: 1.0e6,
    Quantity.PRESSURE_DIFFERENCE: 1.0e5,
    Quantity.CIRCULATION_RATIO: 0.04,
}
"""Length [SI] that a bar shows on the open side of a band with one limit, where no range is known."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Where an alarm stands, in display units."""

    side: Literal["low", "high"]
    at: float
    text: str
    priority: str
    title: str


@dataclass(frozen=True, slots=True)
class Band:
    """The scale of a bar and the limits on it, in display units."""

    low: float
    high: float
    unit: str
    limits: tuple[Limit, ...]

    @property
    def normal_low(self) -> float | None:
        """The innermost low limit."""
        return max((limit.at for limit in self.limits if limit.side == "low"), default=None)

    @property
    def normal_high(self) -> float | None:
        """The innermost high limit."""
        return min((limit.at for limit in self.limits if limit.side == "high"), default=None)

    @property
    def words(self) -> str:
        """The normal band in words."""
        low, high = self.normal_low, self.normal_high
        texts = {limit.at: limit.text for limit in self.limits}
        if low is not None and high is not None:
            return f"normal {texts[low].removesuffix(self.unit).strip()} to {texts[high]}"
        if low is not None:
            return f"normal above {texts[low]}"
        if high is not None:
            return f"normal below {texts[high]}"
        return ""


def bands(
    unit: DehydrationUnit,
    alarms: Iterable[AlarmSnapshot],
    measures: Mapping[Quantity, DisplayUnit],
    context: UnitContext,
) -> dict[str, Band]:
    """Return the band of every value of a unit that has limits or a range.

    Parameters
    ----------
    unit : DehydrationUnit
        The unit.
    alarms : iterable of AlarmSnapshot
        Its alarms as they stand; their setpoints may follow other values.
    measures : mapping of Quantity to DisplayUnit
        How the site shows values.
    context : UnitContext
        How the site file's unit strings are read.
    """
    limits: dict[str, list[Limit]] = {}
    for snapshot in alarms:
        alarm = snapshot.alarm
        if alarm.condition not in {"high", "low"} or alarm.source == "link" or alarm.setpoint is None:
            continue
        at = snapshot.setpoint if snapshot.setpoint is not None else alarm.setpoint.value(None)
        if at is None or not math.isfinite(at):
            continue
        measure = measures[alarm.quantity]
        side: Literal["low", "high"] = "low" if alarm.condition == "low" else "high"
        shown = Limit(side, measure.conversion.from_si(at), measure.format(at), alarm.priority, alarm.title)
        limits.setdefault(alarm.input, []).append(shown)
    found: dict[str, Band] = {}
    for name in {*limits, *unit.signals, "stroke_rate"}:
        quantity = _quantity(unit, name)
        if quantity in {None, Quantity.STATE, Quantity.COUNT, Quantity.STROKE_COUNT}:
            continue
        assert quantity is not None  # noqa: S101 - the line above has left
        measure = measures[quantity]
        span = _range(unit, name, quantity, measure, context)
        own = tuple(limits.get(name, ()))
        scale = _scale(own, span, abs(_OPEN_SPAN.get(quantity, 0.0) / measure.conversion.factor))
        if scale is not None:
            found[name] = Band(*scale, measure.symbol, own)
    return found


def _quantity(unit: DehydrationUnit, name: str) -> Quantity | None:
    kind = RESULT_KINDS.get(name) or SIGNAL_KINDS.get(name)
    if kind is not None:
        return kind.quantity
    return unit.signals[name].quantity if name in unit.signals else None


def _range(
    unit: DehydrationUnit, name: str, quantity: Quantity, measure: DisplayUnit, context: UnitContext
) -> tuple[float, float] | None:
    """Return the credible range in display units; the pump's for strokes."""
    if name == "stroke_rate":
        return 0.0, measure.conversion.from_si(unit.pump_in_service.maximum_rate)
    signal = unit.signals.get(name)
    if signal is None or signal.range is None:
        return None
    read = conversion(signal.unit, quantity, context)
    low, high = (measure.conversion.from_si(read.to_si(end)) for end in signal.range)
    return min(low, high), max(low, high)


def _scale(
    limits: tuple[Limit, ...], span: tuple[float, float] | None, reach: float
) -> tuple[float, float] | None:
    """Choose the ends of a bar: near the limits where there are some, else the whole range."""
    if not limits:
        return span
    low = max((limit.at for limit in limits if limit.side == "low"), default=None)
    high = min((limit.at for limit in limits if limit.side == "high"), default=None)
    least, most = min(limit.at for limit in limits), max(limit.at for limit in limits)
    if low is not None and high is not None and high > low:
        room = _SHOULDER * (high - low)
        bottom, top = least - room, most + room
    else:
        room = reach or max(abs(least), abs(most), 1.0)
        bottom = least - (room if low is None else room / 4)
        top = most + (room if high is None else room / 4)
        if span is not None:
            bottom, top = (bottom, span[1]) if high is None else (span[0], top)
    if span is not None:
        bottom, top = max(bottom, min(span[0], least)), min(top, max(span[1], most))
    return (bottom, top) if top > bottom else None
