"""Which signals a site must have before a calculated result can exist: what switches an alarm off."""

from __future__ import annotations

from collections.abc import Collection

_STROKES = ("stroke_count", "stroke_switch", "stroke_rate", "stroke_pulse")
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
}
"""For each result the groups of signals of which at least one each is needed."""


def missing_signals(result: str, signals: Collection[str]) -> tuple[str, ...]:
    """Return in words which signals a result lacks; empty when it can be calculated.

    Parameters
    ----------
    result : str
        Name of the result; one that is not in ``RESULT_NEEDS`` is taken to need nothing.
    signals : collection of str
        Names of the signals that the unit has.
    """
    return tuple(
        " or ".join(group)
        for group in RESULT_NEEDS.get(result, ())
        if not any(name in signals for name in group)
    )
