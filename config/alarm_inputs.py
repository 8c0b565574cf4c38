"""Which signals a site must have before a calculated result can exist: what switches an alarm off."""

from __future__ import annotations

from collections.abc import Collection

from config.site import DehydrationUnit

_STROKES = ("stroke_count", "stroke_switch", "stroke_rate", "stroke_pulse")
_COUNTED = ("stroke_count", "stroke_switch", "stroke_pulse")
_STAGING = ("contactor.tray_spacing", "contactor.theoretical_stages")
_GLYCOL = (*_STROKES, "lean_glycol_rate")
_TEMPERATURE = ("contactor_temperature",)
_PRESSURE = ("contactor_pressure",)
_GAS = ("gas_rate",)
_REBOILER = ("reboiler_temperature",)
_ANALYZER = ("outlet_water_content", "outlet_dew_point")
_OUTLET = (_TEMPERATURE, _PRESSURE, _GAS, _REBOILER, _GLYCOL)

RESULT_NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "stroke_rate": (_STROKES,),
    "time_since_stroke": (_STROKES,),
    "accepted_stall_rate": (),
    "circulation_rate": (_GLYCOL,),
    "compressibility": (_TEMPERATURE, _PRESSURE),
    "saturated_water_content": (_TEMPERATURE, _PRESSURE),
    "inlet_water_content": (_TEMPERATURE, _PRESSURE),
    "hydrate_temperature": (_TEMPERATURE, _PRESSURE),
    "water_load": (_TEMPERATURE, _PRESSURE, _GAS),
    "lean_mass_fraction": (_REBOILER,),
    "equilibrium_dew_point": (_TEMPERATURE, _REBOILER),
    "limit_dew_point": (_PRESSURE,),
    "water_removed": _OUTLET,
    "circulation_ratio": _OUTLET,
    "rich_mass_fraction": _OUTLET,
    "outlet_water_content": _OUTLET,
    "outlet_dew_point": _OUTLET,
    "dew_point_margin": _OUTLET,
    "probability_over_limit": _OUTLET,
    "required_circulation_rate": (_TEMPERATURE, _PRESSURE, _GAS, _REBOILER),
    "required_stroke_rate": (_TEMPERATURE, _PRESSURE, _GAS, _REBOILER),
    "inferred_tray_efficiency": (*_OUTLET, _ANALYZER),
    "calculated_dew_point": _OUTLET,
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
