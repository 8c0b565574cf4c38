"""What the checks need to know of each signal, resolved once from the site file into SI numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from config.controllers import Controller, ModbusBase
from config.quantities import Quantity
from config.signals import (
    ModbusSignal,
    MqttSignal,
    SignalBase,
    SparkplugSignal,
    conversion_of,
    gross_range_of,
    quantity_of,
    range_of,
    step_of,
)
from config.site import DehydrationUnit, Site
from config.units import Conversion, UnitContext, shown_unit

_DISCRETE = frozenset({Quantity.STATE, Quantity.COUNT, Quantity.STROKE_COUNT})
_TYPE_BITS = {"int16": 16, "uint16": 16, "bcd16": 16, "int32": 32, "uint32": 32, "bcd32": 32}
_BCD_MODULUS = {"bcd16": 10**4, "bcd32": 10**8}

SI = Conversion(1.0)
SPIKE_SHARE = 0.10
"""A one-sample jump larger than this share of the span is a spike."""

_USUAL_FLAT_LINE = {
    "reboiler_temperature": 1800.0,
    "contactor_temperature": 3600.0,
    "contactor_pressure": 3600.0,
}
"""Without one in the site file: how long a main signal may show the very same number while the unit runs [s].
A burner's cycle moves the reboiler, weather and wells move the gas; ours, and a coarse signal is let be."""

# Beyond these no sensor at a glycol unit can be right, whatever its range: a wrong register, type or word
# order shows itself here even where the site file gives no range. Wide on purpose; a proposal of ours.
_POSSIBLE: dict[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (150.0, 1500.0),
    Quantity.TEMPERATURE_DIFFERENCE: (-1500.0, 1500.0),
    Quantity.PRESSURE: (-2e4, 1e8),
    Quantity.PRESSURE_DIFFERENCE: (-1e8, 1e8),
    Quantity.GAS_RATE: (-1e4, 1e4),
    Quantity.LIQUID_RATE: (-10.0, 10.0),
    Quantity.STROKE_RATE: (-1.0, 100.0),
    Quantity.WATER_CONTENT: (-0.01, 1.0),
    Quantity.MASS_FRACTION: (-0.1, 1.1),
    Quantity.FRACTION: (-1.0, 2.0),
}


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """Thresholds of one signal, all SI.

    ``period`` is the time between two readings when all is well [s]. ``gross`` and ``range`` are (low, high);
    ``rate_limit`` is a change per second; ``flat_line`` is in seconds. ``None`` means not checked.
    ``uncertainty`` is the configured standard uncertainty, ``None`` where the site file gives none.
    ``counter_modulus`` is the number of strokes after which a stroke counter starts again at zero, and
    ``counter_step`` the strokes that one count means.
    """

    name: str
    quantity: Quantity
    controller: str
    period: float
    has_source_time: bool = False
    unit: str = ""
    conversion: Conversion = SI
    range: tuple[float, float] | None = None
    gross: tuple[float, float] | None = None
    possible: tuple[float, float] = (-math.inf, math.inf)
    rate_limit: float | None = None
    spike: float | None = None
    flat_line: float | None = None
    resolution: float | None = None
    uncertainty: float | None = None
    counter_modulus: float | None = None
    counter_step: float = 1.0

    @property
    def comes_with_events(self) -> bool:
        """Whether it comes when something happens and not every period: silence is then no sign of age."""
        return self.name == "stroke_pulse"

    @property
    def is_heartbeat(self) -> bool:
        """Whether it only shows that the controller's own program runs."""
        return self.quantity is Quantity.COUNT and self.name.endswith("heartbeat")

    def show(self, si: float) -> str:
        """Write a value in the unit of the site file, for reasons that people read."""
        return f"{self.conversion.from_si(si):.5g} {shown_unit(self.unit)}".rstrip()

    def show_difference(self, si: float) -> str:
        """Write a difference of two values in the unit of the site file."""
        return f"{si / self.conversion.factor:.4g} {shown_unit(self.unit)}".rstrip()


def signal_specs(site: Site, unit: DehydrationUnit) -> dict[str, SignalSpec]:
    """Resolve every signal of a unit, by name.

    Raises
    ------
    KeyError
        A signal names a controller that the site does not have (the loader refuses such a site).
    """
    controllers = {controller.name: controller for controller in site.controllers}
    context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
    return {
        name: _resolve(name, signal, controllers[signal.controller], context)
        for name, signal in unit.signals.items()
    }


def _resolve(name: str, signal: SignalBase, controller: Controller, context: UnitContext) -> SignalSpec:
    quantity = quantity_of(name, signal)
    convert = conversion_of(name, signal, context)
    factor = abs(convert.factor)
    span_range = range_of(name, signal, context)
    analog = quantity not in _DISCRETE
    return SignalSpec(
        name=name,
        quantity=quantity,
        controller=signal.controller,
        period=expected_period(signal, controller),
        has_source_time=isinstance(signal, SparkplugSignal)
        or (isinstance(signal, MqttSignal) and signal.time_path is not None),
        unit=signal.unit,
        conversion=convert,
        range=span_range,
        gross=gross_range_of(name, signal, context),
        possible=_POSSIBLE.get(quantity, (-math.inf, math.inf)),
        rate_limit=_times(signal.checks.rate_of_change, factor),
        spike=_spike(signal, span_range, factor) if analog else None,
        flat_line=(signal.checks.flat_line or _USUAL_FLAT_LINE.get(name)) if analog else None,
        resolution=_times(step_of(signal), factor),
        uncertainty=_times(signal.uncertainty, factor),
        counter_modulus=_counter_modulus(signal) if quantity is Quantity.STROKE_COUNT else None,
        counter_step=abs(signal.scale),
    )


def expected_period(signal: SignalBase, controller: Controller) -> float:
    """Return the time between two readings of a signal when all is well [s]."""
    if isinstance(controller, ModbusBase):
        return controller.slow_scan_period if signal.scan_class == "slow" else controller.scan_period
    if isinstance(signal, MqttSignal) and signal.expected_period is not None:
        return signal.expected_period
    return controller.expected_period


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _spike(signal: SignalBase, span_range: tuple[float, float] | None, factor: float) -> float | None:
    if signal.checks.spike is not None:
        return signal.checks.spike * factor
    return None if span_range is None else SPIKE_SHARE * (span_range[1] - span_range[0])


def _counter_modulus(signal: SignalBase) -> float:
    """Strokes at which the counter rolls over; a wider counter never does within a unit's life."""
    step = abs(signal.scale)
    if signal.counter_bits is not None:
        return step * 2.0**signal.counter_bits
    kind = signal.type if isinstance(signal, ModbusSignal) else "uint32"
    if kind in _BCD_MODULUS:
        return step * _BCD_MODULUS[kind]
    return step * 2.0 ** _TYPE_BITS.get(kind, 64)
