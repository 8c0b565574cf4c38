"""Unit strings: text with a unit becomes SI, and SI becomes what a site wants to read.

Only this module knows pint, and only while a configuration is loaded: what comes out are two floats,
``si = value * factor + offset``, that the scan loop applies.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from config.quantities import Quantity

if TYPE_CHECKING:
    import pint

BASES: dict[str, tuple[float, float]] = {
    "60 degF, 14.696 psia": (288.7055555555556, 101325.353),
    "60 degF, 14.73 psia": (288.7055555555556, 101559.775),
    "60 degF, 14.65 psia": (288.7055555555556, 101008.194),
    "15 degC, 101.325 kPa": (288.15, 101325.0),
}
"""Temperature [K] and pressure [Pa] at which a contract counts a standard cubic foot."""

DEFAULT_BASE = "60 degF, 14.696 psia"
_FT3 = 0.3048**3
_MOLAR_VOLUME_15C = 8.314462618 * 288.15 / 101325.0  # m3/mol, ideal gas
_WATER_MOLAR_MASS = 0.01801528  # kg/mol


class UnitError(ValueError):
    """A unit string that is unknown or of another kind; the message says which units would do."""


@dataclass(frozen=True, slots=True)
class UnitContext:
    """What a unit string can depend on: gauge pressures and standard cubic feet.

    Parameters
    ----------
    barometric_pressure : float
        What a gauge reads as zero [Pa].
    gas_base : str
        One of ``BASES``: what a standard cubic foot means at this site.
    """

    barometric_pressure: float = 101325.0
    gas_base: str = DEFAULT_BASE

    @property
    def standard_cubic_foot(self) -> float:
        """One standard cubic foot in m3 at 15 degC and 101.325 kPa (ideal gas)."""
        temperature, pressure = BASES[self.gas_base]
        return _FT3 * (288.15 / temperature) * (pressure / 101325.0)


@dataclass(frozen=True, slots=True)
class Conversion:
    """``si = value * factor + offset``."""

    factor: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        """Convert a value in the unit to SI."""
        return value * self.factor + self.offset

    def from_si(self, value: float) -> float:
        """Convert an SI value to the unit."""
        return (value - self.offset) / self.factor


_DIMENSION: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "kelvin",
    Quantity.TEMPERATURE_DIFFERENCE: "delta_degC",
    Quantity.PRESSURE: "pascal",
    Quantity.PRESSURE_DIFFERENCE: "pascal",
    Quantity.GAS_RATE: "std_m3/second",
    Quantity.LIQUID_RATE: "meter**3/second",
    Quantity.MASS_RATE: "kilogram/second",
    Quantity.STROKE_RATE: "stroke/second",
    Quantity.STROKE_COUNT: "stroke",
    Quantity.WATER_CONTENT: "kilogram/std_m3",
    Quantity.MASS_FRACTION: "dimensionless",
    Quantity.CIRCULATION_RATIO: "meter**3/kilogram",
    Quantity.GAS_LIQUID_RATIO: "std_m3/meter**3",
    Quantity.FRACTION: "dimensionless",
    Quantity.STATE: "dimensionless",
    Quantity.POWER: "watt",
    Quantity.LENGTH: "meter",
    Quantity.VOLUME: "meter**3",
    Quantity.DURATION: "second",
    Quantity.DENSITY: "kilogram/meter**3",
    Quantity.VISCOSITY: "pascal*second",
    Quantity.HEAT_FLUX: "watt/meter**2",
    Quantity.NUMBER: "dimensionless",
    Quantity.COUNT: "dimensionless",
}

EXAMPLE_UNITS: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "degF, degC, K",
    Quantity.TEMPERATURE_DIFFERENCE: "delta_degF, delta_degC, K",
    Quantity.PRESSURE: "psig, psia, barg, bara, kPag, kPa, MPa",
    Quantity.PRESSURE_DIFFERENCE: "psi, bar, kPa, inH2O",
    Quantity.GAS_RATE: "MMscfd, Mscfd, scfh, Sm3/h, Nm3/h",
    Quantity.LIQUID_RATE: "gal/h, gpm, L/min, m3/h",
    Quantity.MASS_RATE: "lb/h, lb/d, kg/h",
    Quantity.STROKE_RATE: "/min, strokes/min, /h, Hz",
    Quantity.STROKE_COUNT: "strokes",
    Quantity.WATER_CONTENT: "lb/MMscf, mg/Sm3, mg/Nm3, ppmv",
    Quantity.MASS_FRACTION: "wt%, kg/kg",
    Quantity.CIRCULATION_RATIO: "gal/lb, L/kg",
    Quantity.GAS_LIQUID_RATIO: "scf/gal, Sm3/m3",
    Quantity.FRACTION: "%, fraction",
    Quantity.STATE: "no unit",
    Quantity.POWER: "Btu/h, kW",
    Quantity.LENGTH: "ft, in, m, mm",
    Quantity.VOLUME: "gal, L, cm3, m3",
    Quantity.DURATION: "ms, s, min, h, d",
    Quantity.DENSITY: "kg/m3, lb/ft3",
    Quantity.VISCOSITY: "mPa*s, cP",
    Quantity.HEAT_FLUX: "Btu/h/ft2, kW/m2",
    Quantity.NUMBER: "no unit",
    Quantity.COUNT: "no unit",
}

USUAL_UNITS = {quantity: units.split(",")[0] for quantity, units in EXAMPLE_UNITS.items()} | {
    Quantity.DURATION: "s"  # milliseconds come first among the examples and are hardly ever meant
}
"""The unit that is suggested where none is given."""
_GAUGE = re.compile(r"^(psi|bar|mbar|kPa|MPa|Pa)\s*\(?g\)?$")
_ABSOLUTE = re.compile(r"^(psi|bar|mbar|kPa|MPa)\s*\(?a\)?$")
_ALIASES: dict[str, str] = {
    "°F": "degF", "F": "degF", "°C": "degC", "C": "degC", "degK": "kelvin",
    "MMscfd": "MMscf/day", "Mscfd": "Mscf/day", "scfd": "scf/day", "scfh": "scf/hour", "scfm": "scf/minute",
    "gpm": "gallon/minute", "gph": "gallon/hour", "gpd": "gallon/day",
    "/min": "stroke/minute", "/h": "stroke/hour", "/s": "stroke/second", "1/min": "stroke/minute",
    "Hz": "stroke/second", "spm": "stroke/minute", "strokes": "stroke",
    "lb/d": "pound/day", "lb/MMcf": "lb/MMscf", "in": "inch",
    "%": "percent", "wt%": "percent", "mol%": "percent", "fraction": "dimensionless", "": "dimensionless",
    "cP": "centipoise", "inH2O": "inH2O", "d": "day",
}  # fmt: skip


@functools.cache
def _registry(standard_cubic_foot: float) -> pint.UnitRegistry[Any]:
    import pint  # noqa: PLC0415 - 110 ms that only loading a configuration should pay

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
    registry.define("std_m3 = [standard_gas_volume] = Sm3")
    # Ideal gas: the same amount of gas, counted at 0 degC instead of 15 degC.
    registry.define(f"normal_m3 = {288.15 / 273.15!r} * std_m3 = Nm3")
    registry.define(f"standard_cubic_foot = {standard_cubic_foot!r} * std_m3 = scf")
    registry.define("Mscf = 1e3 * standard_cubic_foot")
    registry.define("MMscf = 1e6 * standard_cubic_foot")
    registry.define("stroke = [stroke_number] = strokes")
    # Mole fraction of water as mass per standard volume: kg/mol over m3/mol.
    registry.define(f"ppmv = {1e-6 * _WATER_MOLAR_MASS / _MOLAR_VOLUME_15C!r} * kilogram / std_m3")
    return registry


@functools.lru_cache(maxsize=1024)
def conversion(unit: str, quantity: Quantity, context: UnitContext = UnitContext()) -> Conversion:
    """Find how a unit string converts to SI.

    Parameters
    ----------
    unit : str
        As a site file writes it, for example ``psig``, ``degF``, ``lb/MMscf``.
    quantity : Quantity
        What kind of quantity it must be.
    context : UnitContext
        Barometric pressure and gas base of the site.

    Raises
    ------
    UnitError
        Unknown unit, or one of another kind.
    """
    registry = _registry(context.standard_cubic_foot)
    text = unit.strip()
    offset = 0.0
    if quantity is Quantity.PRESSURE:
        if gauge := _GAUGE.match(text):
            text, offset = gauge.group(1), context.barometric_pressure
        elif absolute := _ABSOLUTE.match(text):
            text = absolute.group(1)
        elif text in {"psi", "bar"}:
            raise UnitError(f'"{unit}" does not say gauge or absolute; write "{text}g" or "{text}a"')
    elif _GAUGE.match(text) or _ABSOLUTE.match(text):
        raise UnitError(
            f'"{unit}" is a gauge or absolute pressure; a {quantity.value} takes {EXAMPLE_UNITS[quantity]}'
        )
    if quantity is Quantity.TEMPERATURE_DIFFERENCE:
        text = {"degF": "delta_degF", "°F": "delta_degF", "F": "delta_degF"}.get(text, text)
        text = {"degC": "delta_degC", "°C": "delta_degC", "C": "delta_degC", "K": "delta_degC"}.get(
            text, text
        )
    if quantity is Quantity.STROKE_COUNT and not text:
        text = "stroke"  # a counter counts strokes; a site file need not say so
    text = _ALIASES.get(text, text).replace("(g)", "").replace("ft2", "foot**2").replace("ft3", "foot**3")
    text = re.sub(r"\b(c?m)3\b", r"\1**3", text)
    text = re.sub(r"\b(c?m)2\b", r"\1**2", text)
    target = _DIMENSION[quantity]
    span = 1000.0  # wide, so that an offset unit's factor keeps its digits
    try:
        one = registry.Quantity(span, text).to(target).magnitude
        zero = registry.Quantity(0.0, text).to(target).magnitude if quantity is Quantity.TEMPERATURE else 0.0
    except Exception as error:  # pint raises a family of unrelated types, tokenizer errors among them
        raise UnitError(
            f'"{unit}" is no unit of {quantity.value}; use for example {EXAMPLE_UNITS[quantity]}'
        ) from error
    return Conversion((float(one) - float(zero)) / span, float(zero) + offset)


_DECIMAL_COMMA = re.compile(r"^\s*([-+]?\d+),(\d+)(.*?)\s*$")
_NUMBER_AND_UNIT = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def parse_quantity(text: str, quantity: Quantity, context: UnitContext = UnitContext()) -> float:
    """Read a number with its unit, as ``7 lb/MMscf``, into SI.

    Raises
    ------
    UnitError
        No number, no unit, an unknown unit or one of another kind.
    """
    match = _NUMBER_AND_UNIT.match(text)
    if comma := _DECIMAL_COMMA.match(text):
        raise UnitError(
            f'"{text}" has a comma in its number; write a point for decimals, as in '
            f'"{comma[1]}.{comma[2]}{comma[3]}", and nothing between thousands'
        )
    if match is None:
        raise UnitError(
            f'"{text}" is not a number with a unit; write for example "12 {USUAL_UNITS[quantity]}"'
        )
    number, unit = match.groups()
    if not unit and quantity not in {Quantity.NUMBER, Quantity.COUNT, Quantity.STATE}:
        example = f"{number} {USUAL_UNITS[quantity]}"
        raise UnitError(f'"{text}" has no unit; write for example "{example}"')
    return conversion(unit, quantity, context).to_si(float(number))


@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """How one quantity is shown: symbol, conversion, digits after the point."""

    symbol: str
    conversion: Conversion
    decimals: int

    def format(self, si: float, *, with_symbol: bool = True) -> str:
        """Write an SI value in this unit."""
        number = f"{self.conversion.from_si(si):.{self.decimals}f}"
        return f"{number} {self.symbol}".rstrip() if with_symbol else number


def value_writer(units: Mapping[Quantity, DisplayUnit]) -> Callable[[Quantity, float], str]:
    """Return what writes an SI value of a quantity with its unit, as a site shows it."""
    return lambda quantity, si: units[quantity].format(si)


_DISPLAY: dict[str, dict[Quantity, tuple[str, int]]] = {
    "us": {
        Quantity.TEMPERATURE: ("degF", 1), Quantity.TEMPERATURE_DIFFERENCE: ("delta_degF", 1),
        Quantity.PRESSURE: ("psig", 1), Quantity.PRESSURE_DIFFERENCE: ("psi", 2),
        Quantity.GAS_RATE: ("MMscfd", 3), Quantity.LIQUID_RATE: ("gal/h", 1), Quantity.MASS_RATE: ("lb/h", 2),
        Quantity.STROKE_RATE: ("/min", 2), Quantity.STROKE_COUNT: ("strokes", 0),
        Quantity.WATER_CONTENT: ("lb/MMscf", 2), Quantity.MASS_FRACTION: ("wt%", 2),
        Quantity.CIRCULATION_RATIO: ("gal/lb", 2), Quantity.GAS_LIQUID_RATIO: ("scf/gal", 2),
        Quantity.FRACTION: ("%", 1), Quantity.STATE: ("", 0), Quantity.POWER: ("Btu/h", 0),
        Quantity.LENGTH: ("ft", 2), Quantity.VOLUME: ("gal", 3), Quantity.DURATION: ("s", 1),
        Quantity.DENSITY: ("lb/ft3", 2), Quantity.VISCOSITY: ("cP", 2), Quantity.HEAT_FLUX: ("Btu/h/ft2", 0),
        Quantity.NUMBER: ("", 3), Quantity.COUNT: ("", 0),
    },
    "si": {
        Quantity.TEMPERATURE: ("degC", 1), Quantity.TEMPERATURE_DIFFERENCE: ("K", 1),
        Quantity.PRESSURE: ("barg", 2), Quantity.PRESSURE_DIFFERENCE: ("kPa", 1),
        Quantity.GAS_RATE: ("Sm3/h", 0), Quantity.LIQUID_RATE: ("L/h", 1), Quantity.MASS_RATE: ("kg/h", 2),
        Quantity.STROKE_RATE: ("/min", 2), Quantity.STROKE_COUNT: ("strokes", 0),
        Quantity.WATER_CONTENT: ("mg/Sm3", 1), Quantity.MASS_FRACTION: ("wt%", 2),
        Quantity.CIRCULATION_RATIO: ("L/kg", 1), Quantity.GAS_LIQUID_RATIO: ("Sm3/m3", 1),
        Quantity.FRACTION: ("%", 1), Quantity.STATE: ("", 0), Quantity.POWER: ("kW", 2),
        Quantity.LENGTH: ("m", 3), Quantity.VOLUME: ("L", 3), Quantity.DURATION: ("s", 1),
        Quantity.DENSITY: ("kg/m3", 1), Quantity.VISCOSITY: ("mPa*s", 2), Quantity.HEAT_FLUX: ("kW/m2", 2),
        Quantity.NUMBER: ("", 3), Quantity.COUNT: ("", 0),
    },
}  # fmt: skip

UNIT_SYSTEMS = tuple(_DISPLAY)
"""The unit systems that a site can choose from."""

_SYMBOLS = {
    "degF": "°F", "degC": "°C", "delta_degF": "°F", "delta_degC": "°C", "F": "°F", "C": "°C",
    "mPa*s": "mPa·s",
    "strokes/min": "/min", "stroke/min": "/min", "1/min": "/min", "spm": "/min",
}  # fmt: skip


def shown_unit(unit: str) -> str:
    """Return how a unit of a site file is written for people, everywhere the same.

    Examples
    --------
    >>> shown_unit("degF"), shown_unit("strokes/min"), shown_unit("psig")
    ('°F', '/min', 'psig')
    """
    return _SYMBOLS.get(unit, unit)


def display_units(system: str, context: UnitContext) -> dict[Quantity, DisplayUnit]:
    """Return how a site shows each quantity.

    Parameters
    ----------
    system : str
        ``us`` or ``si``.
    context : UnitContext
        Barometric pressure and gas base of the site.
    """
    return {
        quantity: DisplayUnit(shown_unit(unit), conversion(unit, quantity, context), decimals)
        for quantity, (unit, decimals) in _DISPLAY[system].items()
    }
