"""What each result of a unit's calculation rests on: the one table that everything else is derived from.

Two questions have two answers. Without what is there no result? ``NEEDS``. What can make a result worse than
it would be? ``rests_on``, which adds the readings that the calculation can do without: in their place it
takes saturated gas, barometric pressure plus back-pressure, or the design's stripping gas.
"""

from __future__ import annotations

_PURITY = (("lean_mass_fraction", "reboiler_temperature"),)
_FLOW = (("lean_glycol_rate", "stroke_rate"),)
_GAS = (("gas_temperature",), ("gas_pressure",))
_INLET = (("inlet_water_content", "gas_temperature"), ("inlet_water_content", "gas_pressure"))
_DRIEST = (*_GAS, *_PURITY)
_CONTACTOR = (*_DRIEST, ("gas_rate",), *_FLOW)
NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "circulation_rate": _FLOW,
    "compressibility": _GAS,
    "saturated_water_content": _GAS,
    "inlet_water_content": _INLET,
    "water_load": (*_INLET, ("gas_rate",)),
    "water_removed": _CONTACTOR,
    "circulation_ratio": _CONTACTOR,
    "lean_mass_fraction": _PURITY,
    "rich_mass_fraction": _CONTACTOR,
    "equilibrium_dew_point": _DRIEST,
    "outlet_water_content": _CONTACTOR,
    "outlet_dew_point": _CONTACTOR,
    "limit_dew_point": (),
    "dew_point_margin": _CONTACTOR,
    "water_content_margin": _CONTACTOR,
    "probability_over_limit": _CONTACTOR,
    "required_circulation_rate": (*_DRIEST, ("gas_rate",)),
    "required_stroke_rate": (*_DRIEST, ("gas_rate",)),
    "hydrate_temperature": (("gas_pressure",),),
    "inferred_tray_efficiency": (*_CONTACTOR, ("outlet_water_content",)),
    "inferred_stages": (*_CONTACTOR, ("outlet_water_content",)),
    "lean_approach_temperature": (("lean_glycol_temperature",), ("gas_temperature",)),
    "reboiler_duty": (*_CONTACTOR, ("reboiler_temperature",)),
}
"""What each result needs: of every group of readings at least one."""


_ORDER = (
    "gas_temperature",
    "gas_pressure",
    "inlet_water_content",
    "gas_rate",
    "reboiler_temperature",
    "reboiler_pressure",
    "stripping_gas_rate",
    "stroke_rate",
    "outlet_water_content",
    "lean_glycol_temperature",
)
"""From the wet gas to the dry: of several bad readings the first is named."""


def rests_on(*, stripped: bool, inlet_measured: bool) -> dict[str, tuple[str, ...]]:
    """Return the readings that each result rests on; ``stroke_rate`` stands for any glycol rate.

    Parameters
    ----------
    stripped : bool
        Whether stripping gas is in play: it ties the lean glycol to the water that the reboiler boils off,
        and so to everything else [-].
    inlet_measured : bool
        Whether the water content of the wet gas is measured rather than taken as saturated [-].

    Returns
    -------
    dict of str to tuple of str
        Readings by result, in the order of the process [-].

    Raises
    ------
    None
        Every combination is valid.

    Notes
    -----
    Valid for any unit; exact, but that with stripping gas a result may rest on a reading by so little that it
    does not show. A limit that is stated at a pressure of its own does not rest on the contactor's.

    References
    ----------
    ``calc.chain``; ``tests/daemon/monitor/test_process.py`` holds the table against what moves which result.

    Examples
    --------
    >>> rests_on(stripped=False, inlet_measured=False)["water_load"]
    ('gas_temperature', 'gas_pressure', 'inlet_water_content', 'gas_rate')
    """
    gas = ("gas_temperature", "gas_pressure")
    inlet = ("inlet_water_content",) if inlet_measured else (*gas, "inlet_water_content")
    lean: tuple[str, ...] = ("reboiler_temperature", "reboiler_pressure")
    if stripped:
        lean = (*lean, "stripping_gas_rate", "stroke_rate", "gas_pressure", *inlet, "gas_rate")
    stands_for: dict[tuple[str, ...], tuple[str, ...]] = {
        _INLET[0]: inlet,
        _INLET[1]: inlet,
        ("gas_rate",): (*inlet, "gas_rate"),  # a water balance begins with the wet gas
        _FLOW[0]: ("stroke_rate",),
        _PURITY[0]: lean,
    }
    found: dict[str, tuple[str, ...]] = {}
    for name, groups in NEEDS.items():
        readings = [reading for group in groups for reading in stands_for.get(group, group)]
        found[name] = tuple(sorted(set(readings), key=_ORDER.index))
    found["limit_dew_point"] = ("gas_pressure",)
    return found
