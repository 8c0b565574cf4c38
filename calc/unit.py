"""The whole calculation of one dehydration unit: readings in, results with uncertainty and reasons out.

``evaluate`` is what the daemon calls at every scan and what an engineer calls on a year of history. The words
it uses (readings, design, results) are in ``calc.readings``, the equations in ``calc.chain``.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from calc.arrays import FloatArray, FloatOrArray, ValidRange
from calc.chain import Chain
from calc.errors import CalcError
from calc.needs import NEEDS
from calc.readings import (
    ESTIMATES,
    INPUTS,
    SOURCES,
    BitsOrArray,
    Design,
    Estimate,
    Readings,
    Results,
    Uncertainties,
)

__all__ = [
    "Design",
    "Estimate",
    "Readings",
    "Results",
    "Uncertainties",
    "dominant_source",
    "evaluate",
    "reason",
]

DEFAULT_UNCERTAINTIES = Uncertainties()
BLOCK = 4096  # rows calculated at once; their columns stay in the processor's cache


USABLE: dict[str, ValidRange] = {
    "gas_temperature": ValidRange("gas_temperature", 278.0, 366.0, "K"),
    "gas_pressure": ValidRange("gas_pressure", 420e3, 27e6, "Pa"),
    "gas_rate": ValidRange("gas_rate", 0.0, 1e4, "standard m3/s"),
    "reboiler_temperature": ValidRange("reboiler_temperature", 373.15, 490.0, "K"),
    "stroke_rate": ValidRange("stroke_rate", 0.0, 100.0, "strokes/s"),
    "lean_glycol_temperature": ValidRange("lean_glycol_temperature", 273.15, 420.0, "K"),
    "lean_glycol_rate": ValidRange("lean_glycol_rate", 0.0, 10.0, "m3/s"),
    "inlet_water_content": ValidRange("inlet_water_content", 1e-7, 0.1, "kg per standard m3"),
    "outlet_water_content": ValidRange("outlet_water_content", 1e-7, 0.1, "kg per standard m3"),
    "reboiler_pressure": ValidRange("reboiler_pressure", 40e3, 300e3, "Pa"),
    "stripping_gas_rate": ValidRange("stripping_gas_rate", 0.0, 100.0, "standard m3/s"),
    "lean_mass_fraction": ValidRange("lean_mass_fraction", 0.85, 0.99999, "kg/kg"),
}
"""What the calculation can use; a reading outside counts as absent (``Results.out_of_range``)."""

CHECKED: dict[str, ValidRange] = {
    "gas_temperature": ValidRange("gas_temperature", 283.0, 333.0, "K"),
    "gas_pressure": ValidRange("gas_pressure", 1e6, 14e6, "Pa"),
    "reboiler_temperature": ValidRange("reboiler_temperature", 440.0, 480.0, "K"),
    "lean_mass_fraction": ValidRange("lean_mass_fraction", 0.95, 0.9995, "kg/kg"),
}
"""What the correlations were checked for; beyond, a result is an extrapolation (``Results.extrapolated``)."""

_ABSENT: dict[str, str] = {
    "limit_dew_point": "it is stated at contactor pressure, and that is not known",
    "compressibility": "specific gravity, CO2 and H2S of the gas do not go together",
    "lean_mass_fraction": "the glycol does not boil at this reboiler temperature and pressure",
    "circulation_ratio": "no water is removed",
    "required_circulation_rate": "no rate of this lean glycol reaches the limit: it is not pure enough",
    "required_stroke_rate": "no rate of this lean glycol reaches the limit: it is not pure enough",
    "inferred_stages": "the measured outlet is drier than this lean glycol allows or wetter than the inlet",
    "inferred_tray_efficiency": "the measured outlet is drier than this lean glycol allows or wetter "
    "than the inlet, or the design gives no number of trays",
    "probability_over_limit": "there is no limit, or no outlet to hold against it",
}
"""Why a result can be absent although every reading it needs is there."""


def evaluate(
    readings: Readings, design: Design, uncertainties: Uncertainties = DEFAULT_UNCERTAINTIES
) -> Results:
    """Calculate everything that a unit's day turns on, from one set of readings or from arrays of them.

    Parameters
    ----------
    readings : Readings
        Measured values, floats or arrays that broadcast; NaN where not available [SI].
    design : Design
        Gas, contactor, reboiler, pump and limit [SI].
    uncertainties : Uncertainties
        One standard deviation of each source [SI or relative].

    Returns
    -------
    Results
        Estimates with their standard uncertainty, and which readings were absent or out of range [SI].

    Raises
    ------
    CalcError
        A design that is no design: stages, displacement, efficiency, limit or pressure out of range.

    Notes
    -----
    Valid for 278 to 366 K and 0.42 to 27 MPa in the contactor and 373 to 490 K in the reboiler; checked
    against published values for 283 to 333 K and 440 to 480 K. A reading out of range is never an error here:
    it counts as absent, what needs it becomes NaN, and ``reason`` says so. Uncertainties are linearised;
    ``tests/calc/test_unit_uncertainty.py`` holds them against Monte Carlo. The outlet is that of equilibrium
    stages in steady state: minutes after a change of rate it is not yet true.

    References
    ----------
    The equations and their sources are in ``calc.water``, ``calc.equilibrium``, ``calc.regeneration``,
    ``calc.absorber`` and ``calc.uncertainty``.

    Examples
    --------
    >>> readings = Readings(gas_temperature=310.93, gas_pressure=4.137e6, gas_rate=9.813,
    ...                     reboiler_temperature=477.59, stroke_rate=2.0)
    >>> design = Design(specific_gravity=0.65, theoretical_stages=2.0, pump_displacement=1.8e-4,
    ...                 barometric_pressure=101325.0, limit_water_content=7 * 1.60493e-5)
    >>> results = evaluate(readings, design)
    >>> results.dew_point_margin.value, results.dew_point_margin.uncertainty
    (0.4, 3.5)
    """
    check_design(design)
    columns = [getattr(readings, name) for name in INPUTS]
    shapes = [column.shape for column in columns if isinstance(column, np.ndarray)]
    if not shapes:
        return _one(columns, design, uncertainties)
    shape = np.broadcast_shapes(*shapes)
    flat = [
        np.ascontiguousarray(np.broadcast_to(column, shape), dtype=np.float64).reshape(-1)
        if isinstance(column, np.ndarray)
        else float(column)
        for column in columns
    ]
    return _many(flat, shape, design, uncertainties)


def _one(columns: list[FloatOrArray], design: Design, sd: Uncertainties) -> Results:
    missing = out_of_range = extrapolated = 0
    values: list[float] = []
    for bit, (name, column) in enumerate(zip(INPUTS, columns, strict=True)):
        value = float(column)
        usable, checked = USABLE[name], CHECKED.get(name)
        if value != value:  # noqa: PLR0124 - NaN is the only float that differs from itself
            missing |= 1 << bit
        elif not usable.lower <= value <= usable.upper:
            out_of_range |= 1 << bit
            value = math.nan
        elif checked is not None and not checked.lower <= value <= checked.upper:
            extrapolated |= 1 << bit
        values.append(value)
    chain = Chain(Readings(*values), design, sd)
    variances = {source: float(effect) ** 2 for source, effect in chain.margin.effects.items()}
    return Results(
        **chain.estimates,
        missing=missing,
        out_of_range=out_of_range,
        extrapolated=extrapolated,
        margin_variances=variances,
    )


def _many(columns: list[FloatOrArray], shape: tuple[int, ...], design: Design, sd: Uncertainties) -> Results:
    rows = next(len(column) for column in columns if isinstance(column, np.ndarray))
    bits = np.zeros((3, rows), dtype=np.int64)
    values = np.empty((2 * len(ESTIMATES), rows))
    variances: dict[str, FloatArray] = {}
    with np.errstate(all="ignore"):  # absent readings are NaN by design; impossible rows become NaN
        for start in range(0, rows, BLOCK):
            block = slice(start, min(start + BLOCK, rows))
            usable = [
                _usable(
                    bit, name, column[block] if isinstance(column, np.ndarray) else column, bits[:, block]
                )
                for bit, (name, column) in enumerate(zip(INPUTS, columns, strict=True))
            ]
            chain = Chain(Readings(*usable), design, sd)
            for row, name in enumerate(ESTIMATES):
                values[2 * row, block] = chain.estimates[name].value
                values[2 * row + 1, block] = chain.estimates[name].uncertainty
            for source, effect in chain.margin.effects.items():
                if source not in variances:
                    variances[source] = np.zeros(rows)
                variances[source][block] = np.square(effect)
    return Results(
        **{
            name: Estimate(values[2 * row].reshape(shape), values[2 * row + 1].reshape(shape))
            for row, name in enumerate(ESTIMATES)
        },
        missing=bits[0].reshape(shape),
        out_of_range=bits[1].reshape(shape),
        extrapolated=bits[2].reshape(shape),
        margin_variances={source: variance.reshape(shape) for source, variance in variances.items()},
    )


def _usable(
    bit: int, name: str, column: FloatOrArray, bits: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
) -> FloatOrArray:
    """Column with what cannot be used made NaN; says so in the bits."""
    usable, checked = USABLE[name], CHECKED.get(name)
    absent = np.isnan(column)
    outside = (column < usable.lower) | (column > usable.upper)
    bits[0] |= np.int64(1 << bit) * absent
    bits[1] |= np.int64(1 << bit) * outside
    if checked is not None:
        bits[2] |= np.int64(1 << bit) * (
            ((column < checked.lower) | (column > checked.upper)) & np.logical_not(outside)
        )
    if isinstance(column, np.ndarray):
        return np.where(outside, math.nan, column) if np.any(outside) else column
    return math.nan if outside else column


def check_design(design: Design) -> None:
    """Refuse a design with which nothing can be calculated.

    Parameters
    ----------
    design : Design
        Gas, contactor, reboiler, pump and limit [SI].

    Returns
    -------
    None
        Nothing [-].

    Raises
    ------
    CalcError
        A value out of range, or not exactly one limit.

    Notes
    -----
    Valid for any design; exact. The gas's composition is not checked here but where it is used: a gas outside
    the range of a correlation makes that correlation's results absent.

    References
    ----------
    The ranges are those of the equations in ``calc.chain``.

    Examples
    --------
    >>> check_design(Design(0.65, 2.0, 1e-4, 101325.0, limit_water_content=1e-4))
    """
    for name, lower, upper in (
        ("theoretical_stages", 0.1, 10.0),
        ("pump_displacement", 1e-9, 1.0),
        ("volumetric_efficiency", 0.01, 1.2),
        ("barometric_pressure", 40e3, 110e3),
        ("still_back_pressure", 0.0, 150e3),
        ("stripping_gas_ratio", 0.0, 500.0),
        ("stripping_stages", 0.0, 10.0),
        ("lean_water_factor", 0.1, 10.0),
    ):
        value = getattr(design, name)
        if not lower <= value <= upper:
            raise CalcError(f"design: {name} = {value:g} is outside {lower:g} to {upper:g}")
    if (design.limit_water_content is None) == (design.limit_dew_point is None):
        raise CalcError("design: give exactly one of limit_water_content and limit_dew_point")


def _in_si(name: str, valid: ValidRange) -> str:
    return f"{valid.lower:g} to {valid.upper:g} {valid.unit}"


def reason(
    results: Results, name: str, row: int | None = None, write: Callable[[str, ValidRange], str] = _in_si
) -> str:
    """Say in words why a result is absent or uncertain.

    Parameters
    ----------
    results : Results
        Of ``evaluate`` [-].
    name : str
        Name of an estimate in it [-].
    row : int, optional
        Row of arrays; ``None`` for a single evaluation [-].
    write : callable
        Writes the range of a reading, given its name, in the reader's units; SI without [-].

    Returns
    -------
    str
        Words; empty when the result is there and nothing was extrapolated [-].

    Raises
    ------
    KeyError
        A name that is no estimate.

    Notes
    -----
    Valid for any result of ``evaluate``; exact. Where a laboratory purity or a glycol meter stands in for a
    missing reading there is nothing to say.

    References
    ----------
    ``NEEDS``, ``USABLE`` and ``CHECKED`` in this module.

    Examples
    --------
    >>> nan = float("nan")
    >>> design = Design(0.65, 2.0, 1.8e-4, 101325.0, limit_water_content=1e-4)
    >>> results = evaluate(Readings(310.93, 4.137e6, nan, 600.0, 2.0), design)
    >>> reason(results, "water_load")
    'needs gas_rate'
    >>> reason(results, "lean_mass_fraction")
    'reboiler_temperature is outside 373.15 to 490 K'
    """
    missing, outside, extrapolated = (
        _bits(which, row) for which in (results.missing, results.out_of_range, results.extrapolated)
    )
    beyond: list[str] = []
    for group in NEEDS[name]:
        present = [entry for entry in group if not (missing | outside) & _bit(entry)]
        if not present:
            wrong = [entry for entry in group if outside & _bit(entry)]
            if wrong:
                return f"{wrong[0]} is outside {write(wrong[0], USABLE[wrong[0]])}"
            return f"needs {' or '.join(group)}"
        if extrapolated & _bit(present[0]) and present[0] not in beyond:
            beyond.append(present[0])
    value = getattr(results, name).value
    if math.isnan(float(value if row is None else np.ravel(value)[row])):
        if ("gas_rate",) in NEEDS[name] and _value(results, "water_load", row) == 0.0:
            return "no gas flows"
        flows = ("lean_glycol_rate", "stroke_rate") in NEEDS[name]
        if flows and _value(results, "circulation_rate", row) == 0.0:
            return "no glycol flows"
        if name != "lean_mass_fraction" and ("lean_mass_fraction", "reboiler_temperature") in NEEDS[name]:
            purity = reason(results, "lean_mass_fraction", row, write)
            if purity and math.isnan(_value(results, "lean_mass_fraction", row)):
                return purity
        return _ABSENT.get(name, "the readings do not go together: a property is out of its range")
    if beyond:
        return f"extrapolated: {beyond[0]} is outside {write(beyond[0], CHECKED[beyond[0]])}"
    return ""


def dominant_source(results: Results, row: int | None = None) -> str:
    """Name the source of uncertainty that contributes most to the dew-point margin.

    Parameters
    ----------
    results : Results
        Of ``evaluate`` [-].
    row : int, optional
        Row of arrays; ``None`` for a single evaluation [-].

    Returns
    -------
    str
        One of ``calc.readings.SOURCES``; empty where there is no margin [-].

    Raises
    ------
    IndexError
        A row that is not there.

    Notes
    -----
    Valid for any result of ``evaluate``; exact, by share of the variance.

    References
    ----------
    JCGM 100:2008, 5.1.

    Examples
    --------
    >>> design = Design(0.65, 2.0, 1.8e-4, 101325.0, limit_water_content=1e-4)
    >>> dominant_source(evaluate(Readings(310.93, 4.137e6, 9.813, 477.59, 2.0), design))
    'theoretical_stages'
    """
    shares = {
        source: float(variance if row is None else np.ravel(variance)[row])
        for source, variance in results.margin_variances.items()
    }
    present = [source for source in SOURCES if not math.isnan(shares.get(source, math.nan))]
    return max(present, key=shares.__getitem__, default="")


def _value(results: Results, name: str, row: int | None) -> float:
    value = getattr(results, name).value
    return float(value if row is None else np.ravel(value)[row])


def _bits(bits: BitsOrArray, row: int | None) -> int:
    return int(bits if row is None else np.ravel(bits)[row])


def _bit(name: str) -> int:
    return 1 << INPUTS.index(name)
