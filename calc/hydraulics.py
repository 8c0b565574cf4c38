"""What a contactor can carry: gas capacity, least glycol for sealed trays, approach of the lean glycol."""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import FOOT, POUND, US_GALLON

DENSITY = ValidRange("density", 1e-3, 2e4, "kg/m3")
SOUDERS_BROWN = ValidRange("souders_brown_factor", 0.0, 1.0, "m/s")
DIAMETER = ValidRange("inside_diameter", 0.05, 10.0, "m")
TRAY_SPACING = ValidRange("tray_spacing", 0.45, 0.80, "m")
RATE = ValidRange("rate", 0.0, 1e6)

STRUCTURED_PACKING_FACTOR = 0.35 * FOOT
"""Souders-Brown factor of structured packing [m/s]; 0.3 to 0.4 ft/s (handbooks, from memory)."""
TRAY_SEAL_RATIO = 2.0 * US_GALLON / POUND
"""Least circulation ratio that keeps trays sealed, 2 gal/lb [m3/kg]; common practice, no source."""
USUAL_APPROACH = (3.0, 8.0)
"""Usual lean glycol temperature above the gas [K]; handbooks, common practice."""


def bubble_cap_factor(tray_spacing: FloatOrArray) -> FloatOrArray:
    """Souders-Brown factor of bubble-cap trays in glycol service.

    Parameters
    ----------
    tray_spacing : float or array
        Distance between trays [m].

    Returns
    -------
    float or array
        Souders-Brown factor [m/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside 0.45 to 0.80 m; an element of an array becomes NaN.

    Notes
    -----
    Valid for 0.45 to 0.80 m; a parabola through the three handbook values 0.14, 0.16 and 0.17 ft/s at 20, 24
    and 30 in. About 10 %.

    References
    ----------
    GPSA Engineering Data Book, section 20 (from memory).

    Examples
    --------
    >>> bubble_cap_factor(24 * 0.0254) / 0.3048  # ft/s at 24 in
    0.160
    """
    inches = TRAY_SPACING.check(tray_spacing) / 0.0254
    lagrange = (
        0.14 * (inches - 24.0) * (inches - 30.0) / 40.0
        - 0.16 * (inches - 20.0) * (inches - 30.0) / 24.0
        + 0.17 * (inches - 20.0) * (inches - 24.0) / 60.0
    )
    return lagrange * FOOT


def maximum_gas_mass_rate(
    inside_diameter: FloatOrArray,
    gas_density: FloatOrArray,
    glycol_density: FloatOrArray,
    souders_brown_factor: FloatOrArray,
) -> FloatOrArray:
    """Gas mass rate above which a contactor carries glycol over, by Souders and Brown.

    Parameters
    ----------
    inside_diameter : float or array
        Of the contactor [m].
    gas_density : float or array
        At contactor conditions [kg/m3].
    glycol_density : float or array
        At contactor temperature [kg/m3].
    souders_brown_factor : float or array
        Of trays or packing [m/s].

    Returns
    -------
    float or array
        Gas mass rate [kg/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside the ranges of its arguments; an element of an array becomes NaN.

    Notes
    -----
    Valid for clean glycol; about 15 %. Foam (liquid hydrocarbon, solids, pH above 9, cold glycol) halves it.

    References
    ----------
    M. Souders and G. G. Brown, Ind. Eng. Chem. 26 (1934) 98: v = K sqrt((rho_L - rho_V)/rho_V).

    Examples
    --------
    >>> # GPSA worked example (from memory): 41.3 in for 62 024 lb/h at 1.97 and 70 lb/ft3, 24 in spacing
    >>> maximum_gas_mass_rate(41.3 * 0.0254, 31.556, 1121.3, 0.16 * 0.3048) / 0.45359237 * 3600
    62035.
    """
    diameter = DIAMETER.check(inside_diameter)
    gas, liquid = DENSITY.check(gas_density), DENSITY.check(glycol_density)
    factor = SOUDERS_BROWN.check(souders_brown_factor)
    mass_flux = factor * functions_for(gas, liquid).sqrt(gas * (liquid - gas))
    return math.pi / 4.0 * diameter * diameter * mass_flux


def tray_seal_rate(water_removed: FloatOrArray, tray_minimum: FloatOrArray = 0.0) -> FloatOrArray:
    """Glycol rate below which trays may lose their seal.

    Parameters
    ----------
    water_removed : float or array
        Water taken up by the glycol [kg/s].
    tray_minimum : float or array
        Least rate of the tray design where it is known [m3/s].

    Returns
    -------
    float or array
        Glycol rate [m3/s].

    Raises
    ------
    OutOfRangeError
        A scalar below 0; an element of an array becomes NaN.

    Notes
    -----
    Valid for bubble-cap trays; a rule of thumb (2 gal/lb, common practice, no source). Where the maker of the
    trays gives a rate, that one counts.

    References
    ----------
    Common practice, no source.

    Examples
    --------
    >>> tray_seal_rate(4.357e-3) / 1.0515e-6  # gal/h for 34.58 lb/h
    69.16
    """
    rule = TRAY_SEAL_RATIO * RATE.check(water_removed)
    minimum = RATE.check(tray_minimum)
    return functions_for(rule, minimum).maximum(rule, minimum)


def lean_approach_temperature(
    lean_glycol_temperature: FloatOrArray, gas_temperature: FloatOrArray
) -> FloatOrArray:
    """Temperature of the lean glycol above that of the gas it meets.

    Parameters
    ----------
    lean_glycol_temperature : float or array
        Into the contactor [K].
    gas_temperature : float or array
        Of the gas in the contactor [K].

    Returns
    -------
    float or array
        Approach [K]; below 0 hydrocarbons condense and foam, above some 15 K the top tray dries less and
        glycol is lost.

    Raises
    ------
    TypeError
        Something that is no number.

    Notes
    -----
    Valid for any temperatures; exact. Usual: 3 to 8 K (common practice).

    References
    ----------
    Definition; range from handbooks as quoted on public pages.

    Examples
    --------
    >>> lean_approach_temperature(316.0, 311.0)
    5.0
    """
    return lean_glycol_temperature - gas_temperature
