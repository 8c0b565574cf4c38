"""How far to trust a water content: a second published method, the spread of methods, and acid gases."""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import PSI, WATER_STANDARD_DENSITY
from calc.conversions import DEGREE_FAHRENHEIT
from calc.water import WATER_CONTENT, saturated_water_content

TEMPERATURE = ValidRange("temperature", 260.93, 422.04, "K")
PRESSURE = ValidRange("pressure", 300.0 * PSI, 5000.0 * PSI, "Pa")
CARBON_DIOXIDE = ValidRange("carbon_dioxide", 0.0, 1.0, "mole fraction")
HYDROGEN_SULFIDE = ValidRange("hydrogen_sulfide", 0.0, 1.0, "mole fraction")
SPECIFIC_GRAVITY = ValidRange("specific_gravity", 0.55, 1.2)
TRUSTED_CARBON_DIOXIDE = 0.04
"""Mole fraction to which a sweet-gas method needs no correction at pipeline accuracy (from memory)."""
QUOTED_UNCERTAINTY = 0.025
"""Standard uncertainty of the D1142 form where methods agree: half of the 5 % that is quoted for it."""


def saturated_water_content_whitson_brule(
    temperature: FloatOrArray, pressure: FloatOrArray, specific_gravity: FloatOrArray
) -> FloatOrArray:
    """Calculate the saturated water content by Whitson and Brule: the second method, within about 10 %.

    Parameters
    ----------
    temperature : float or array
        Gas temperature [K].
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        Water content [kg per standard m3] (15 degC, 101.325 kPa).

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for sweet gas, 10 to 300 degF (261 to 422 K) and 300 to 5000 psia (2.1 to 34.5 MPa). The source
    states no range; below 300 psia it departs from the ideal-gas limit by up to 20 % and is refused. It is
    up to 20 % wetter than the ASTM D1142 form, most at low temperature. The source's last step, 47300
    lb/MMscf of pure steam, is replaced by the exact molar volume (0.4 % more).

    References
    ----------
    C. H. Whitson and M. R. Brule, Phase Behavior, SPE Monograph 20 (2000), eqs. 9.23 and 9.24, after J. J.
    McKetta and A. H. Wehe (1958).

    Examples
    --------
    >>> content = saturated_water_content_whitson_brule(293.706, 6.8948e6, 0.7)  # 69 degF, 1000 psia
    >>> content / 1.60493e-5  # lb/MMscf; appendix B, problem 21: 25.75 with 47300 in the last step
    25.84
    """
    kelvin = TEMPERATURE.check(temperature)
    psia = PRESSURE.check(pressure) / PSI
    gravity = SPECIFIC_GRAVITY.check(specific_gravity)
    xp = functions_for(kelvin, psia, gravity)
    fahrenheit = DEGREE_FAHRENHEIT.from_si(kelvin)
    rankine = fahrenheit + 460.0
    log_pressure = xp.log(psia)
    pure = xp.exp((0.05227 * psia + 142.3 * log_pressure - 9625.0) / rankine - 1.117 * log_pressure + 16.44)
    log_fahrenheit = xp.log(fahrenheit)
    heavier = 1.55e4 * gravity * xp.exp(-1.446 * log_fahrenheit) - 1.83e4 * xp.exp(-1.288 * log_fahrenheit)
    fraction = pure * (1.0 + (gravity - 0.55) / heavier)
    return WATER_CONTENT.check(WATER_STANDARD_DENSITY * fraction / (1.0 - fraction))


def relative_uncertainty(
    temperature: FloatOrArray, pressure: FloatOrArray, specific_gravity: FloatOrArray
) -> FloatOrArray:
    """Estimate the relative standard uncertainty of ``saturated_water_content`` from the spread of methods.

    Parameters
    ----------
    temperature : float or array
        Gas temperature [K].
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        One standard deviation of the water content over the content [-].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range of ``saturated_water_content_whitson_brule``.

    Notes
    -----
    Valid in the range of the second method, 261 to 422 K and 2.1 to 34.5 MPa. The truth is taken to lie
    anywhere within the distance of the two methods around the first (a rectangular distribution, so the
    distance over root three), and to that come the 2.5 % of the first method where both agree: 3 to 12 %.
    It is a judgement of methods against methods; no measured content was at hand to sharpen it.

    References
    ----------
    JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7 for the rectangular
    distribution; the two methods as in their own functions.

    Examples
    --------
    >>> relative_uncertainty(310.928, 6.8948e6, 0.65)  # 100 degF, 1000 psia
    0.0392
    """
    first = saturated_water_content(temperature, pressure)
    second = saturated_water_content_whitson_brule(temperature, pressure, specific_gravity)
    distance = second / first - 1.0
    square = QUOTED_UNCERTAINTY**2 + distance * distance / 3.0
    return functions_for(square).sqrt(square)


def acid_gas_uncertainty(carbon_dioxide: float, hydrogen_sulfide: float) -> float:
    """Say how far the water content of a sour gas may lie from that calculated for sweet gas.

    Parameters
    ----------
    carbon_dioxide, hydrogen_sulfide : float
        Mole fractions in the gas [-].

    Returns
    -------
    float
        Standard uncertainty that comes on top of the method's own, relative [-]; 0 for sweet gas.

    Raises
    ------
    OutOfRangeError
        A mole fraction outside 0 to 1.

    Notes
    -----
    Valid for any gas. The whole deviation counts as one standard deviation, because it goes one way: the gas
    holds more. It is 0.35 of the fraction of CO2 above 4 mol % in all, and for H2S 1.5 of the fraction, at
    most 0.12: 7 % at 20 mol % CO2, 12 % at 8 mol % H2S, as the comparisons in ``acid_gas_caution`` (from
    memory). It judges, it does not correct.

    References
    ----------
    As ``acid_gas_caution``.

    Examples
    --------
    >>> acid_gas_uncertainty(0.02, 0.0), acid_gas_uncertainty(0.20, 0.0), acid_gas_uncertainty(0.0, 0.10)
    (0.0, 0.07, 0.12)
    """
    CARBON_DIOXIDE.check(carbon_dioxide)
    HYDROGEN_SULFIDE.check(hydrogen_sulfide)
    by_dioxide = 0.35 * carbon_dioxide if carbon_dioxide > TRUSTED_CARBON_DIOXIDE else 0.0
    return math.hypot(by_dioxide, min(1.5 * hydrogen_sulfide, 0.12))


def acid_gas_caution(carbon_dioxide: float, hydrogen_sulfide: float) -> str:
    """Say in words what acid gases do to a water content that was calculated for sweet gas.

    Parameters
    ----------
    carbon_dioxide, hydrogen_sulfide : float
        Mole fractions in the gas [-].

    Returns
    -------
    str
        A caution in full sentences [-]; empty when the gas counts as sweet.

    Raises
    ------
    OutOfRangeError
        A mole fraction outside 0 to 1.

    Notes
    -----
    Valid for any gas; it judges, it does not correct. Without H2S and below 4 mol % CO2 no correction is
    needed at pipeline accuracy (from memory). Handbook comparisons have the D1142 form 2 to 7 % low at 11
    to 20 mol % CO2 and 10 to 12 % low at 8 to 28 mol % H2S (from memory).

    References
    ----------
    GPSA Engineering Data Book, section 20, comparison of measured and calculated contents of sour gases (from
    memory).

    Examples
    --------
    >>> acid_gas_caution(0.02, 0.0)
    ''
    >>> acid_gas_caution(0.10, 0.0)
    '10.0 mol % CO2: the gas holds more water than calculated for sweet gas.'
    """
    CARBON_DIOXIDE.check(carbon_dioxide)
    HYDROGEN_SULFIDE.check(hydrogen_sulfide)
    parts = []
    if carbon_dioxide > TRUSTED_CARBON_DIOXIDE:
        parts.append(f"{100 * carbon_dioxide:.1f} mol % CO2")
    if hydrogen_sulfide > 0.0:
        parts.append(f"{100 * hydrogen_sulfide:.2g} mol % H2S")
    if not parts:
        return ""
    caution = f"{' and '.join(parts)}: the gas holds more water than calculated for sweet gas."
    if hydrogen_sulfide > 0.0:
        caution += " H2S lets hydrate form at a higher temperature than calculated."
        caution += " It is poisonous, also in vents and drains of the glycol system."
    return caution
