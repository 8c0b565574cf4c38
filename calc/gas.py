"""Natural gas from its gravity: compressibility, density, and rates at actual and at base conditions.

No composition is needed beyond the specific gravity and the acid gases. A standard cubic metre is counted at
15 degC and 101.325 kPa as an ideal gas (``calc.conversions`` has the other bases).
"""

from __future__ import annotations

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import AIR_MOLAR_MASS, GAS_CONSTANT, STANDARD_MOLAR_VOLUME
from calc.pseudocritical import SPECIFIC_GRAVITY, pseudo_critical_sutton
from calc.solvers import find_root_newton

TEMPERATURE = ValidRange("temperature", 200.0, 500.0, "K")
PRESSURE = ValidRange("pressure", 1e3, 70e6, "Pa")
REDUCED_TEMPERATURE = ValidRange("reduced temperature", 1.05, 3.0)
REDUCED_PRESSURE = ValidRange("reduced pressure", 0.0, 15.0)
RATE = ValidRange("rate", 0.0, 1e6, "m3/s")

# Dranchuk & Abou-Kassem (1975), A1 to A11.
_A1, _A2, _A3, _A4, _A5 = 0.3265, -1.0700, -0.5339, 0.01569, -0.05165
_A6, _A7, _A8, _A9, _A10, _A11 = 0.5475, -0.7361, 0.1844, 0.1056, 0.6134, 0.7210


def compressibility(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    specific_gravity: FloatOrArray,
    *,
    carbon_dioxide: FloatOrArray = 0.0,
    hydrogen_sulfide: FloatOrArray = 0.0,
    nitrogen: FloatOrArray = 0.0,
) -> FloatOrArray:
    """Calculate the compressibility factor of natural gas from its gravity, within about 1 to 3 %.

    Parameters
    ----------
    temperature : float or array
        Gas temperature [K].
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].
    carbon_dioxide, hydrogen_sulfide, nitrogen : float or array
        Mole fractions in the gas [-].

    Returns
    -------
    float or array
        Compressibility factor z [-].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Dranchuk and Abou-Kassem's equation on Sutton's pseudo-criticals with Wichert and Aziz's correction. Valid
    for 200 to 500 K, up to 70 MPa, with reduced temperature 1.05 to 3.0 and reduced pressure up to 15. The
    equation reproduces the Standing-Katz chart within 0.4 % on average and 1.2 % at most. Against reference
    equations of state for whole compositions, 280 to 320 K and 20 to 100 bar: 0.2 % on average for a gas of
    gravity 0.58, 1 % for 0.63 to 0.67, 4 % for a rich one of 0.71, there up to 10 % at 280 K and 100 bar
    (tests/published): a gravity cannot know the composition.

    References
    ----------
    P. M. Dranchuk and J. H. Abou-Kassem, Calculation of Z factors for natural gases using equations of state,
    J. Can. Pet. Technol. 14 (3) (1975) 34-36, eqs. 2 and 3.

    Examples
    --------
    >>> compressibility(310.93, 6.895e6, 0.65)  # 100 degF, 1000 psia
    0.8710
    """
    kelvin = TEMPERATURE.check(temperature)
    pascal = PRESSURE.check(pressure)
    critical_temperature, critical_pressure = pseudo_critical_sutton(
        specific_gravity, carbon_dioxide=carbon_dioxide, hydrogen_sulfide=hydrogen_sulfide, nitrogen=nitrogen
    )
    return reduced_compressibility(kelvin / critical_temperature, pascal / critical_pressure)


def reduced_compressibility(
    reduced_temperature: FloatOrArray, reduced_pressure: FloatOrArray
) -> FloatOrArray:
    """Calculate the compressibility factor from reduced temperature and pressure: the Standing-Katz chart.

    Parameters
    ----------
    reduced_temperature : float or array
        Temperature over pseudo-critical temperature [-].
    reduced_pressure : float or array
        Pressure over pseudo-critical pressure [-].

    Returns
    -------
    float or array
        Compressibility factor z [-].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for reduced temperature 1.05 to 3.0 and reduced pressure 0 to 15; within 0.4 % of the chart on
    average and 1.2 % at most. The equation gives the pressure at a density; it is solved for the density by
    Newton's method, to the last digits.

    References
    ----------
    P. M. Dranchuk and J. H. Abou-Kassem, J. Can. Pet. Technol. 14 (3) (1975) 34-36; M. B. Standing and D. L.
    Katz, Density of natural gases, Trans. AIME 146 (1942) 140-149.

    Examples
    --------
    >>> reduced_compressibility(1.5, 2.5)  # chart: 0.794
    0.793
    """
    t = REDUCED_TEMPERATURE.check(reduced_temperature)
    p = REDUCED_PRESSURE.check(reduced_pressure)
    inverse = 1.0 / t
    cube = inverse * inverse * inverse
    r1 = _A1 + inverse * (_A2 + inverse * inverse * (_A3 + inverse * (_A4 + inverse * _A5)))
    r2 = _A6 + inverse * (_A7 + inverse * _A8)
    r3 = _A9 * inverse * (_A7 + inverse * _A8)
    r4 = _A10 * cube
    ideal = 0.27 * p * inverse  # z times reduced density
    exp = functions_for(t, p).exp

    def excess_pressure(density: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
        square = density * density
        damped = _A11 * square
        tail = r4 * exp(-damped)
        fifth = r3 * square * square * density
        z = 1.0 + r1 * density + r2 * square - fifth + tail * square * (1.0 + damped)
        slope = r1 + 2.0 * r2 * density - 5.0 * fifth / density
        slope = slope + 2.0 * tail * density * (1.0 + damped - damped * damped)
        return density * z - ideal, z + density * slope

    density = find_root_newton(
        excess_pressure, ideal + 1e-12, 0.0, 4.0 + 0.0 * ideal, quantity="reduced gas density", tolerance=1e-9
    )
    return ideal / density


def density(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    specific_gravity: FloatOrArray,
    *,
    carbon_dioxide: FloatOrArray = 0.0,
    hydrogen_sulfide: FloatOrArray = 0.0,
    nitrogen: FloatOrArray = 0.0,
) -> FloatOrArray:
    """Calculate the density of natural gas from its gravity, within about 1 to 3 %.

    Parameters
    ----------
    temperature : float or array
        Gas temperature [K].
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].
    carbon_dioxide, hydrogen_sulfide, nitrogen : float or array
        Mole fractions in the gas [-].

    Returns
    -------
    float or array
        Density [kg/m3].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range of ``compressibility``.

    Notes
    -----
    Valid and accurate as ``compressibility``: ``P M / (z R T)`` with its z.

    References
    ----------
    Equation of state of a real gas; z from Dranchuk and Abou-Kassem (1975), see ``compressibility``.

    Examples
    --------
    >>> density(310.93, 4.137e6, 0.65)  # 100 degF, 600 psia; lb/ft3 times 16.02
    32.76
    """
    z = compressibility(
        temperature,
        pressure,
        specific_gravity,
        carbon_dioxide=carbon_dioxide,
        hydrogen_sulfide=hydrogen_sulfide,
        nitrogen=nitrogen,
    )
    return pressure * specific_gravity * AIR_MOLAR_MASS / (z * GAS_CONSTANT * temperature)


def standard_rate(
    actual_rate: FloatOrArray,
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    compressibility: FloatOrArray,
) -> FloatOrArray:
    """Convert a volume rate at flowing conditions to standard conditions.

    Parameters
    ----------
    actual_rate : float or array
        Rate at flowing conditions [m3/s].
    temperature : float or array
        Flowing temperature [K].
    pressure : float or array
        Flowing pressure, absolute [Pa].
    compressibility : float or array
        Factor z at flowing conditions [-].

    Returns
    -------
    float or array
        Rate [standard m3/s] (15 degC, 101.325 kPa, ideal).

    Raises
    ------
    OutOfRangeError
        A scalar negative rate, or temperature or pressure out of range.

    Notes
    -----
    Valid for 200 to 500 K and up to 70 MPa; as accurate as z. Because standard volumes are counted as ideal
    the figure is 0.2 to 0.3 % above one that counts the real gas at standard conditions.
    ``GasBase.standard_volume`` converts to another base.

    References
    ----------
    ISO 13443:1996, Natural gas - Standard reference conditions.

    Examples
    --------
    >>> standard_rate(1.0, 310.93, 6.895e6, 0.88)
    71.66
    """
    rate = RATE.check(actual_rate)
    kelvin, pascal = TEMPERATURE.check(temperature), PRESSURE.check(pressure)
    return rate * pascal * STANDARD_MOLAR_VOLUME / (compressibility * GAS_CONSTANT * kelvin)


def actual_rate(
    standard_rate: FloatOrArray,
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    compressibility: FloatOrArray,
) -> FloatOrArray:
    """Convert a standard volume rate to flowing conditions; the inverse of ``standard_rate``.

    Parameters
    ----------
    standard_rate : float or array
        Rate [standard m3/s] (15 degC, 101.325 kPa, ideal).
    temperature : float or array
        Flowing temperature [K].
    pressure : float or array
        Flowing pressure, absolute [Pa].
    compressibility : float or array
        Factor z at flowing conditions [-].

    Returns
    -------
    float or array
        Rate at flowing conditions [m3/s].

    Raises
    ------
    OutOfRangeError
        A scalar negative rate, or temperature or pressure out of range.

    Notes
    -----
    Valid for 200 to 500 K and up to 70 MPa; as accurate as z.

    References
    ----------
    ISO 13443:1996, Natural gas - Standard reference conditions.

    Examples
    --------
    >>> actual_rate(71.66, 310.93, 6.895e6, 0.88)
    1.000
    """
    rate = RATE.check(standard_rate)
    kelvin, pascal = TEMPERATURE.check(temperature), PRESSURE.check(pressure)
    return rate * compressibility * GAS_CONSTANT * kelvin / (pascal * STANDARD_MOLAR_VOLUME)


def mass_rate(standard_rate: FloatOrArray, specific_gravity: FloatOrArray) -> FloatOrArray:
    """Convert a standard volume rate to a mass rate.

    Parameters
    ----------
    standard_rate : float or array
        Rate [standard m3/s] (15 degC, 101.325 kPa, ideal).
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        Mass rate [kg/s].

    Raises
    ------
    OutOfRangeError
        A scalar negative rate, or gravity outside 0.55 to 1.68.

    Notes
    -----
    Valid for any gas; exact for the ideal standard volume.

    References
    ----------
    Definition of the standard volume; molar mass of air from ISO 6976:2016.

    Examples
    --------
    >>> mass_rate(1.0, 0.65)
    0.7963
    """
    gravity = SPECIFIC_GRAVITY.check(specific_gravity)
    return RATE.check(standard_rate) * gravity * AIR_MOLAR_MASS / STANDARD_MOLAR_VOLUME
