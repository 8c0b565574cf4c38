"""Instruments of the simulated plant: what a transmitter makes of the truth.

Each analogue value passes a first-order lag, gains noise, is rounded to the steps of a 12-bit converter on a
4-20 mA loop, and may be frozen, out of range or bad. Counters and contacts are exact. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from config.quantities import SIGNAL_KINDS, Quantity
from daemon.fieldsim.design import PlantDesign
from daemon.fieldsim.properties import dew_point
from daemon.fieldsim.state import PlantState

Fault = Literal["frozen", "low", "high", "bad"]

_CONVERTER_STEPS = 4000  # a 12-bit converter, less what it keeps below 4 mA
# Current below 3.6 mA or above 21 mA says that the transmitter has failed (NAMUR NE 43, from memory).
_FAILED_LOW = (3.5 - 4.0) / 16.0
_FAILED_HIGH = (21.5 - 4.0) / 16.0


def _stroke_contact(first: float, last: float) -> Callable[[PlantDesign, PlantState], float]:
    return lambda _, state: float(first <= state.stroke_phase < last)


_TRUTH: dict[str, Callable[[PlantDesign, PlantState], float]] = {
    "contactor_temperature": lambda _, s: s.gas_temperature,
    "contactor_pressure": lambda _, s: s.contactor_pressure,
    "contactor_differential_pressure": lambda _, s: s.contactor_differential_pressure,
    "gas_rate": lambda _, s: s.gas_rate,
    "inlet_water_content": lambda _, s: s.inlet_water_content,
    "outlet_water_content": lambda _, s: s.outlet_water_content,
    "outlet_dew_point": lambda _, s: dew_point(s.outlet_water_content, s.contactor_pressure),
    "lean_glycol_temperature": lambda _, s: s.lean_temperature,
    "lean_glycol_rate": lambda _, s: s.lean_rate,
    "stroke_rate": lambda _, s: s.stroke_rate,
    "stroke_count": lambda _, s: float(s.stroke_count),
    "stroke_switch": _stroke_contact(0.0, 0.3),
    "stroke_switch_return": _stroke_contact(0.5, 0.8),
    "reboiler_temperature": lambda _, s: s.reboiler_temperature,
    "reboiler_shutdown_temperature": lambda _, s: s.reboiler_temperature + 0.6,
    "reboiler_level": lambda d, s: s.reboiler.mass / (1.25 * d.reboiler_mass),
    "burner_on": lambda _, s: float(s.burner_on),
    "fuel_rate": lambda d, s: (
        (d.burner_power if s.burner_on else 0.0) / (d.fuel_efficiency * d.fuel_heating_value)
    ),
    "stack_temperature": lambda _, s: s.stack_temperature,
    "still_top_temperature": lambda _, s: s.still_top_temperature,
    "still_pressure": lambda d, _: d.reboiler_pressure,
    "stripping_gas_rate": lambda _, __: 0.0,
    "surge_level": lambda d, s: s.surge.mass / (2.0 * d.surge_mass),
    "contactor_level": lambda d, s: s.contactor.mass / (1.8 * d.contactor_mass),
    "flash_pressure": lambda _, s: s.flash_pressure,
    "flash_temperature": lambda _, s: s.flash_temperature,
    "flash_level": lambda d, s: s.flash.mass / (1.8 * d.flash_mass),
    "filter_differential_pressure": lambda _, s: s.filter_differential_pressure,
    "rich_glycol_temperature": lambda _, s: s.rich_temperature,
    "bypass_open": lambda _, __: 0.0,
    "controller_heartbeat": lambda _, s: float(int(s.stroke_time)),
}


def true_value(name: str, design: PlantDesign, state: PlantState) -> float:
    """Return what a perfect instrument would show, in SI.

    Raises
    ------
    KeyError
        A signal that the plant does not have.
    """
    return _TRUTH[name](design, state)


def has_signal(name: str) -> bool:
    """Whether the plant knows a signal of this name."""
    return name in _TRUTH


@dataclass(frozen=True, slots=True)
class Instrument:
    """One analogue instrument: span, lag, noise and step, in SI; a step of 0 means exact."""

    low: float
    high: float
    lag: float = 0.0
    """Time constant [s of the process clock: a thermowell is steel that must warm up too]."""
    noise: float = 0.0
    """Standard deviation of one reading."""
    step: float = 0.0
    """Smallest change it can show."""


EXACT = Instrument(-math.inf, math.inf)

_USUAL_SPAN: dict[Quantity, tuple[float, float, float, float]] = {
    # quantity: low, high, lag s, noise; spans hold where a site gives none
    Quantity.TEMPERATURE: (233.15, 533.15, 15.0, 0.06),
    Quantity.PRESSURE: (0.0, 1.0e7, 1.0, 3.0e3),
    Quantity.PRESSURE_DIFFERENCE: (0.0, 2.5e5, 2.0, 1.0e2),
    Quantity.GAS_RATE: (0.0, 10.0, 2.0, 0.004),
    Quantity.LIQUID_RATE: (0.0, 5.0e-4, 2.0, 1.0e-7),
    Quantity.STROKE_RATE: (0.0, 1.0, 2.0, 0.0),
    Quantity.WATER_CONTENT: (0.0, 2.0e-3, 60.0, 5.0e-7),
    Quantity.FRACTION: (0.0, 1.0, 4.0, 0.002),
}


def instrument_for(name: str, span: tuple[float, float] | None = None) -> Instrument:
    """Return a usual instrument for a signal name, over a span in SI if one is given."""
    quantity = SIGNAL_KINDS[name].quantity
    usual = _USUAL_SPAN.get(quantity)
    if usual is None:
        return EXACT
    low, high, lag, noise = usual
    if span is not None:
        noise = min(noise, 0.002 * (span[1] - span[0]))
        low, high = span
    return Instrument(low, high, lag, noise, (high - low) / _CONVERTER_STEPS)


@dataclass(frozen=True, slots=True)
class Panel:
    """What all instruments of a plant show at one instant.

    ``shown`` is SI; ``None`` is a value that the device itself reports as bad.
    """

    shown: Mapping[str, float | None] = field(default_factory=dict)
    lagged: Mapping[str, float] = field(default_factory=dict)


def observe(
    instruments: Mapping[str, Instrument],
    design: PlantDesign,
    state: PlantState,
    panel: Panel,
    dt: float,
    faults: Mapping[str, Fault],
    rng: Random,
) -> Panel:
    """Let every instrument look at the plant, ``dt`` seconds of the process clock after the last look."""
    shown: dict[str, float | None] = {}
    lagged: dict[str, float] = {}
    for name, instrument in instruments.items():
        truth = true_value(name, design, state)
        before = panel.lagged.get(name, truth)
        keep = math.exp(-dt / instrument.lag) if instrument.lag > 0.0 else 0.0
        lagged[name] = value = truth + (before - truth) * keep
        fault = faults.get(name)
        if fault == "bad":
            shown[name] = None
        elif fault == "frozen" and name in panel.shown:
            shown[name] = panel.shown[name]
        elif fault in {"low", "high"} and instrument.step > 0.0:
            share = _FAILED_LOW if fault == "low" else _FAILED_HIGH
            shown[name] = instrument.low + share * (instrument.high - instrument.low)
        elif instrument.step > 0.0:
            shown[name] = _through_loop(instrument, value + rng.gauss(0.0, instrument.noise))
        else:
            shown[name] = value
    return Panel(shown, lagged)


def _through_loop(instrument: Instrument, value: float) -> float:
    """Round to the converter's steps, and stop where the loop saturates, at 3.8 and 20.5 mA (NE 43)."""
    span = instrument.high - instrument.low
    value = min(max(value, instrument.low - 0.0125 * span), instrument.high + 0.03125 * span)
    return instrument.low + round((value - instrument.low) / instrument.step) * instrument.step
