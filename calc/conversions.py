"""Named conversions between field units and SI, and volumes of gas at explicit base conditions.

A unit is data, ``si = value * factor + offset``; a unit of gas volume needs the base conditions at which its
standard cubic foot is counted, so it is made by a function of them. Inside the program a standard cubic metre
is always one at 15 degC and 101.325 kPa.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

from calc.arrays import FloatArray, FloatOrArray
from calc.constants import (
    BTU,
    CUBIC_FOOT,
    DAY,
    FOOT,
    HOUR,
    INCH,
    MINUTE,
    POUND,
    PSI,
    RANKINE,
    STANDARD_PRESSURE,
    STANDARD_TEMPERATURE,
    US_GALLON,
    WATER_STANDARD_DENSITY,
    ZERO_CELSIUS,
)


@dataclass(frozen=True, slots=True)
class FieldUnit:
    """A unit of measurement: ``si = value * factor + offset``."""

    symbol: str
    factor: float
    offset: float = 0.0

    @overload
    def to_si(self, value: float) -> float: ...

    @overload
    def to_si(self, value: FloatArray) -> FloatArray: ...

    @overload
    def to_si(self, value: FloatOrArray) -> FloatOrArray: ...

    def to_si(self, value: FloatOrArray) -> FloatOrArray:
        """Convert a value in this unit to SI."""
        return value * self.factor + self.offset

    @overload
    def from_si(self, value: float) -> float: ...

    @overload
    def from_si(self, value: FloatArray) -> FloatArray: ...

    @overload
    def from_si(self, value: FloatOrArray) -> FloatOrArray: ...

    def from_si(self, value: FloatOrArray) -> FloatOrArray:
        """Convert an SI value to this unit."""
        return (value - self.offset) / self.factor


DEGREE_FAHRENHEIT = FieldUnit("degF", RANKINE, ZERO_CELSIUS - 32.0 * RANKINE)
DEGREE_CELSIUS = FieldUnit("degC", 1.0, ZERO_CELSIUS)
DEGREE_RANKINE = FieldUnit("degR", RANKINE)
PSI_ABSOLUTE = FieldUnit("psia", PSI)
BAR_ABSOLUTE = FieldUnit("bara", 1e5)
FOOT_LENGTH = FieldUnit("ft", FOOT)
INCH_LENGTH = FieldUnit("in", INCH)
GALLON = FieldUnit("gal", US_GALLON)
GALLON_PER_HOUR = FieldUnit("gal/h", US_GALLON / HOUR)
GALLON_PER_MINUTE = FieldUnit("gal/min", US_GALLON / MINUTE)
GALLON_PER_POUND = FieldUnit("gal/lb", US_GALLON / POUND)
POUND_MASS = FieldUnit("lb", POUND)
POUND_PER_HOUR = FieldUnit("lb/h", POUND / HOUR)
POUND_PER_DAY = FieldUnit("lb/d", POUND / DAY)
POUND_PER_CUBIC_FOOT = FieldUnit("lb/ft3", POUND / CUBIC_FOOT)
PER_MINUTE = FieldUnit("/min", 1.0 / MINUTE)
BTU_PER_HOUR = FieldUnit("Btu/h", BTU / HOUR)
BTU_PER_HOUR_SQUARE_FOOT = FieldUnit("Btu/h/ft2", BTU / HOUR / FOOT**2)


@dataclass(frozen=True, slots=True)
class GasBase:
    """Temperature [K] and absolute pressure [Pa] at which a volume of gas is counted."""

    temperature: float
    pressure: float

    @property
    def standard_volume(self) -> float:
        """One cubic metre at this base in standard cubic metres (15 degC, 101.325 kPa), as an ideal gas."""
        return (self.pressure / STANDARD_PRESSURE) * (STANDARD_TEMPERATURE / self.temperature)


_SIXTY_FAHRENHEIT = (60.0 - 32.0) * RANKINE + ZERO_CELSIUS
BASE_15_CELSIUS = GasBase(STANDARD_TEMPERATURE, STANDARD_PRESSURE)
"""15 degC, 101.325 kPa (ISO 13443): the standard cubic metre of this program."""
BASE_0_CELSIUS = GasBase(ZERO_CELSIUS, STANDARD_PRESSURE)
"""0 degC, 101.325 kPa: the normal cubic metre."""
BASE_60F_14_696 = GasBase(_SIXTY_FAHRENHEIT, 14.696 * PSI)
"""60 degF, 14.696 psia: the most used base of the US industry."""
BASE_60F_14_7 = GasBase(_SIXTY_FAHRENHEIT, 14.7 * PSI)
"""60 degF, 14.7 psia: the base of the table in ASTM D1142 (from memory)."""
BASE_60F_14_73 = GasBase(_SIXTY_FAHRENHEIT, 14.73 * PSI)
"""60 degF, 14.73 psia: the base of many US tariffs and of AGA reports."""

PPM_BY_VOLUME = FieldUnit("ppmv", 1e-6 * WATER_STANDARD_DENSITY)
"""Parts of water vapour in 1e6 of gas by volume, as mass per standard volume (ideal gas); needs no base."""


def million_standard_cubic_feet_per_day(base: GasBase = BASE_60F_14_696) -> FieldUnit:
    """Make the unit MMscf/d for a base.

    Parameters
    ----------
    base : GasBase
        Conditions at which the cubic foot is counted [K, Pa].

    Returns
    -------
    FieldUnit
        Converts to standard cubic metres a second [m3/s].

    Raises
    ------
    ZeroDivisionError
        A base at 0 K.

    Notes
    -----
    Valid for any base; exact for an ideal gas. The compressibility of natural gas at base conditions is
    within 0.3 % of 1 and the same at all bases in use, so it cancels.

    References
    ----------
    ISO 13443:1996, Natural gas - Standard reference conditions, annex A.

    Examples
    --------
    >>> million_standard_cubic_feet_per_day().to_si(1.0) * 86400
    28262.4
    """
    return FieldUnit("MMscf/d", 1e6 * CUBIC_FOOT * base.standard_volume / DAY)


def pound_per_million_standard_cubic_feet(base: GasBase = BASE_60F_14_696) -> FieldUnit:
    """Make the unit of water content lb/MMscf for a base.

    Parameters
    ----------
    base : GasBase
        Conditions at which the cubic foot is counted [K, Pa].

    Returns
    -------
    FieldUnit
        Converts to mass per standard cubic metre [kg/m3].

    Raises
    ------
    ZeroDivisionError
        A base at 0 K or at 0 Pa.

    Notes
    -----
    Valid for any base; exact for an ideal gas. Between 14.65 and 14.73 psia the same figure means 0.5 % more
    or less water: a contract's limit belongs to that contract's base.

    References
    ----------
    ISO 13443:1996, annex A; ASTM D1142-95, section 3 (from memory) for the correction of a content to another
    base.

    Examples
    --------
    >>> pound_per_million_standard_cubic_feet().to_si(7.0) * 1e6  # mg/m3
    112.345
    """
    return FieldUnit("lb/MMscf", POUND / (1e6 * CUBIC_FOOT * base.standard_volume))


def milligram_per_cubic_meter(base: GasBase = BASE_15_CELSIUS) -> FieldUnit:
    """Make the unit of water content mg/m3 for a base.

    Parameters
    ----------
    base : GasBase
        Conditions at which the cubic metre is counted [K, Pa].

    Returns
    -------
    FieldUnit
        Converts to mass per standard cubic metre [kg/m3].

    Raises
    ------
    ZeroDivisionError
        A base at 0 K or at 0 Pa.

    Notes
    -----
    Valid for any base; exact for an ideal gas.

    References
    ----------
    ISO 13443:1996, Natural gas - Standard reference conditions, annex A.

    Examples
    --------
    >>> milligram_per_cubic_meter(BASE_0_CELSIUS).to_si(1.0) * 1e6
    0.947944
    """
    return FieldUnit("mg/m3", 1e-6 / base.standard_volume)
