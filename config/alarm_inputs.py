"""Which signals a site must have before a calculated result can exist: what switches an alarm off."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from calc.arrays import ValidRange
from calc.needs import NEEDS
from config.quantities import Quantity
from config.site import DehydrationUnit
from config.units import DisplayUnit

_STROKES = ("stroke_count", "stroke_switch", "stroke_rate", "stroke_pulse")
_COUNTED = ("stroke_count", "stroke_switch", "stroke_pulse")
_STAGING = ("contactor.tray_spacing", "contactor.theoretical_stages")

INPUT_SIGNALS: dict[str, tuple[str, ...]] = {
    "gas_temperature": ("contactor_temperature",),
    "gas_pressure": ("contactor_pressure",),
    "gas_rate": ("gas_rate",),
    "reboiler_temperature": ("reboiler_temperature",),
    "stroke_rate": _STROKES,
    "lean_glycol_temperature": ("lean_glycol_temperature",),
    "lean_glycol_rate": ("lean_glycol_rate",),
    "inlet_water_content": ("inlet_water_content",),
    "outlet_water_content": ("outlet_water_content", "outlet_dew_point"),
    "reboiler_pressure": ("still_pressure",),
    "stripping_gas_rate": ("stripping_gas_rate",),
}
"""Signals of which one is enough for each input of the calculation; a laboratory's purity is no signal."""


def _signals(group: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(signal for name in group for signal in INPUT_SIGNALS.get(name, ()))


_CALCULATED = {
    name: tuple(dict.fromkeys(_signals(group) for group in groups)) for name, groups in NEEDS.items()
}
_TEMPERATURE = INPUT_SIGNALS["gas_temperature"]
_PRESSURE = INPUT_SIGNALS["gas_pressure"]
_GAS = INPUT_SIGNALS["gas_rate"]
_REBOILER = INPUT_SIGNALS["reboiler_temperature"]
_ANALYZER = INPUT_SIGNALS["outlet_water_content"]
_OUTLET = _CALCULATED["outlet_dew_point"]

RESULT_NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    **_CALCULATED,
    "limit_dew_point": (_PRESSURE,),  # where the limit does not state its own
    "stroke_rate": (_STROKES,),
    "time_since_stroke": (_STROKES,),
    "accepted_stall_rate": (),
    "stall_acceptance_ends_soon": (_STROKES, ("pumps.accepted_stall_rate",)),
    "calculated_dew_point": _OUTLET,
    "calculated_lean_mass_fraction": _CALCULATED["lean_mass_fraction"],
    "lean_purity_bias": _CALCULATED["lean_mass_fraction"],
    "measured_dew_point": (*_OUTLET, _ANALYZER),
    "dew_point_bias": (*_OUTLET, _ANALYZER),
    "dew_point_drift": (*_OUTLET, _ANALYZER),
    "stroke_irregularity": (_COUNTED,),
    "stroke_asymmetry": (("stroke_switch",), ("stroke_switch_return",)),
    "reboiler_time_to_limit": (_REBOILER,),
    "margin_time_to_limit": _OUTLET,
    "gas_rate_capacity": (_TEMPERATURE, _PRESSURE, ("contactor.inside_diameter",), _STAGING),
    "glycol_loss_rate": (("surge_level",), _GAS),
    "glycol_age": (_REBOILER, ("reboiler.glycol_changed_on",)),
    "glycol_exposure": (_REBOILER, ("reboiler.glycol_changed_on",)),
    "pump_change_advised": (_TEMPERATURE, _PRESSURE, _GAS, _REBOILER, ("a second installed pump",)),
    "pump_efficiency": (("lean_glycol_rate",), _STROKES),
    "pump_efficiency_drift": (("lean_glycol_rate",), _STROKES),
    "fired_without_level": (("burner_on",), ("reboiler_level",), ("reboiler.least_level",)),
    "fired_without_circulation": (_STROKES, _REBOILER),
    "bypass_opened_in_service": (("bypass_open",), _GAS),
    "gas_before_hot": (_GAS, _REBOILER),
    "bypass_closed_early": (("bypass_open",), _GAS, _REBOILER),
    "gas_admitted_fast": (_GAS,),
}
"""For each result the groups of signals or site values of which at least one each is needed.

A site value is written as in the site file, ``contactor.inside_diameter``.
"""


def known_of(unit: DehydrationUnit) -> frozenset[str]:
    """Return what a unit has, in the words of ``RESULT_NEEDS``: its signals and the site values given."""
    values = {
        "contactor.inside_diameter": unit.contactor.inside_diameter,
        "contactor.tray_spacing": unit.contactor.tray_spacing,
        "contactor.theoretical_stages": unit.contactor.theoretical_stages,
        "reboiler.least_level": unit.reboiler.least_level,
        "reboiler.glycol_changed_on": unit.reboiler.glycol_changed_on,
        "pumps.accepted_stall_rate": unit.pump_in_service.accepted_stall_rate,
        "a second installed pump": True if len(unit.pumps) > 1 else None,
    }
    return frozenset(unit.signals) | {name for name, value in values.items() if value is not None}


def missing_signals(result: str, signals: Collection[str]) -> tuple[str, ...]:
    """Return in words which signals a result lacks; empty when it can be calculated.

    Parameters
    ----------
    result : str
        Name of the result; one that is not in ``RESULT_NEEDS`` is taken to need nothing.
    signals : collection of str
        Names of the signals that the unit has; of site values too where the result needs some
        (``known_of``).
    """
    return tuple(
        " or ".join(group)
        for group in RESULT_NEEDS.get(result, ())
        if not any(name in signals for name in group)
    )


INPUT_QUANTITIES: Mapping[str, Quantity] = {
    "gas_temperature": Quantity.TEMPERATURE,
    "gas_pressure": Quantity.PRESSURE,
    "gas_rate": Quantity.GAS_RATE,
    "reboiler_temperature": Quantity.TEMPERATURE,
    "stroke_rate": Quantity.STROKE_RATE,
    "lean_glycol_temperature": Quantity.TEMPERATURE,
    "lean_glycol_rate": Quantity.LIQUID_RATE,
    "inlet_water_content": Quantity.WATER_CONTENT,
    "outlet_water_content": Quantity.WATER_CONTENT,
    "reboiler_pressure": Quantity.PRESSURE,
    "stripping_gas_rate": Quantity.GAS_RATE,
    "lean_mass_fraction": Quantity.MASS_FRACTION,
}
"""What each reading of the calculation (``calc.readings.INPUTS``) measures."""


def input_range_writer(units: Mapping[Quantity, DisplayUnit]) -> Callable[[str, ValidRange], str]:
    """Return what writes the range of a reading of the calculation as its readers see it, for ``reason``."""

    def write(name: str, valid: ValidRange) -> str:
        unit = units[INPUT_QUANTITIES[name]]
        return f"{unit.format(valid.lower, with_symbol=False)} to {unit.format(valid.upper)}"

    return write
