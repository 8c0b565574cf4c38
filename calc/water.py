"""Water in natural gas: saturated content, dew point, frost point.

Content is mass of water per standard cubic metre of gas (15 degC, 101.325 kPa); ``calc.conversions`` gives
lb/MMscf, mg/m3 and ppmv at any base. A dew point is over *liquid* water, supercooled below 0 degC, as in ASTM
D1142; the frost point, over ice, is another number with another name. Neither is the hydrate temperature
(``calc.hydrate``).
"""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import WATER_STANDARD_DENSITY, WATER_TRIPLE_TEMPERATURE
from calc.conversions import BASE_60F_14_7, pound_per_million_standard_cubic_feet
from calc.saturation import ice_log_pressure, liquid_log_pressure
from calc.solvers import find_root_newton

TEMPERATURE = ValidRange("temperature", 213.15, 510.93, "K")
PRESSURE = ValidRange("pressure", 10e3, 70e6, "Pa")
DEW_POINT = ValidRange("dew point", 213.15, 510.93, "K")
FROST_POINT = ValidRange("frost point", 213.15, WATER_TRIPLE_TEMPERATURE, "K")
WATER_CONTENT = ValidRange("water_content", 1e-9, WATER_STANDARD_DENSITY, "kg per standard m3")

# ASTM D1142: W = A/P + B in lb per 1e6 scf at 60 degF and 14.7 psia, with A = 47484 psat (P, psat in psia)
# and log10 B = 6.69449 - 3083.87 / (t + 459.6), t in degF.
_POUND_PER_MMSCF = pound_per_million_standard_cubic_feet(BASE_60F_14_7).factor
_A = 47484.0 * _POUND_PER_MMSCF  # kg per standard m3, times psat over P
_LOG_B = math.log(10.0) * 6.69449 + math.log(_POUND_PER_MMSCF)
_B_SLOPE = math.log(10.0) * 3083.87 / 1.8  # K
_START, _BRACKET = 1.0 / 280.0, (1.0 / 640.0, 1.0 / 120.0)  # 1/K, of the two inverses
_B_OFFSET = (459.67 - 459.6) / 1.8  # K; t + 459.6 is not quite the absolute temperature


def saturated_water_content(temperature: FloatOrArray, pressure: FloatOrArray) -> FloatOrArray:
    """Calculate the water content of gas in equilibrium with liquid water, in the form of ASTM D1142.

    Parameters
    ----------
    temperature : float or array
        Gas temperature [K].
    pressure : float or array
        Gas pressure, absolute [Pa].

    Returns
    -------
    float or array
        Water content [kg per standard m3] (15 degC, 101.325 kPa).

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below, or water that would boil at that temperature and pressure.

    Notes
    -----
    Valid for sweet natural gas, 233.15 to 510.93 K (extrapolated to 213.15 K) and up to 70 MPa. About 5 % is
    quoted for it; other published methods differ by 2 % to 70 bar above 15 degC and by 10 to 20 % at 100 bar
    or below 0 degC (``calc.water_methods.relative_uncertainty``). Acid gases hold more water
    (``calc.water_methods.acid_gas_caution``). Below 0 degC the basis is supercooled liquid.

    References
    ----------
    ASTM D1142-95, Standard test method for water vapor content of gaseous fuels by measurement of dew-point
    temperature, table 1; R. F. Bukacek, IGT Research Bulletin 8 (1955); closed form of A and B after A.
    Danesh, PVT and Phase Behaviour of Petroleum Reservoir Fluids, Elsevier (1998).

    Examples
    --------
    >>> content = saturated_water_content(310.928, 6.8948e6)  # 100 degF, 1000 psia
    >>> content / 1.60493e-5  # lb/MMscf
    60.4
    """
    kelvin = TEMPERATURE.check(temperature)
    pascal = PRESSURE.check(pressure)
    xp = functions_for(kelvin, pascal)
    log_pressure, _ = liquid_log_pressure(1.0 / kelvin)
    nonideal = xp.exp(_LOG_B - _B_SLOPE / (kelvin - _B_OFFSET))
    return WATER_CONTENT.check(_A * xp.exp(log_pressure) / pascal + nonideal)


def log_water_content(
    inverse_temperature: FloatOrArray, pressure: FloatOrArray
) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Give ln of the saturated water content and its slopes, for use inside other equations.

    Parameters
    ----------
    inverse_temperature : float or array
        Reciprocal of the temperature [1/K].
    pressure : float or array
        Gas pressure, absolute [Pa].

    Returns
    -------
    tuple of float or array
        ln(W/(kg per standard m3)) [-], its slope with the inverse temperature [K] and with ln of the
        pressure [-].

    Raises
    ------
    ValueError
        A scalar temperature above the critical one.

    Notes
    -----
    Valid range and accuracy as ``saturated_water_content``, not checked here: an iteration may pass outside.
    In these variables the curve is nearly straight.

    References
    ----------
    As ``saturated_water_content``.

    Examples
    --------
    >>> log_content, by_inverse, by_log_pressure = log_water_content(1 / 310.928, 6.8948e6)
    >>> log_content, by_inverse, by_log_pressure
    (-6.939, -4912., -0.747)
    """
    xp = functions_for(inverse_temperature, pressure)
    log_pressure, pressure_slope = liquid_log_pressure(inverse_temperature)
    shifted = 1.0 / (1.0 - _B_OFFSET * inverse_temperature)
    ideal = _A * xp.exp(log_pressure) / pressure
    nonideal = xp.exp(_LOG_B - _B_SLOPE * inverse_temperature * shifted)
    total = ideal + nonideal
    slope = (ideal * pressure_slope - nonideal * _B_SLOPE * shifted * shifted) / total
    return xp.log(total), slope, -ideal / total


def water_dew_point(water_content: FloatOrArray, pressure: FloatOrArray) -> FloatOrArray:
    """Calculate the water dew point of gas; the exact inverse of ``saturated_water_content``.

    Parameters
    ----------
    water_content : float or array
        Water content [kg per standard m3] (15 degC, 101.325 kPa).
    pressure : float or array
        Gas pressure, absolute [Pa].

    Returns
    -------
    float or array
        Water dew point over liquid water [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below, or a dew point outside 213.15 to 510.93 K.

    Notes
    -----
    Valid for 1e-9 kg per standard m3 up to pure steam, 10 kPa to 70 MPa. Accurate as the saturated content:
    5 % of content is about 0.8 K of dew point. Newton's method on ln W against 1/T, where the curve is nearly
    straight: three or four steps to the last digits.

    References
    ----------
    ASTM D1142-95, as ``saturated_water_content``.

    Examples
    --------
    >>> water_dew_point(7 * 1.60493e-5, 6.8948e6)  # 7 lb/MMscf at 1000 psia: 32.6 degF
    273.5
    """
    content = WATER_CONTENT.check(water_content)
    pascal = PRESSURE.check(pressure)
    wanted = functions_for(content).log(content)

    def log_excess(inverse: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
        log_content, slope, _ = log_water_content(inverse, pascal)
        return wanted - log_content, -slope

    inverse = find_root_newton(log_excess, _START, *_BRACKET, quantity="water dew point")
    return DEW_POINT.check(1.0 / inverse)


def frost_point(water_content: FloatOrArray, pressure: FloatOrArray) -> FloatOrArray:
    """Calculate the temperature at which gas is in equilibrium with ice.

    Parameters
    ----------
    water_content : float or array
        Water content [kg per standard m3] (15 degC, 101.325 kPa).
    pressure : float or array
        Gas pressure, absolute [Pa].

    Returns
    -------
    float or array
        Frost point [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the ranges of ``water_dew_point``, or gas so wet that liquid forms first: there is no
        frost point above the triple point, 273.16 K.

    Notes
    -----
    Valid for frost points from 213.15 to 273.16 K. Ice holds the gas drier than supercooled liquid does at
    the same temperature, in the ratio of the two saturation pressures; so the frost point is the warmer of
    the two, by about a tenth of the distance from 0 degC. A chilled mirror may show either, or hydrate.
    Accurate as ``water_dew_point``.

    References
    ----------
    IAPWS R14-08(2011) for ice; ASTM D1142-95 note 2 for which of the two a mirror shows.

    Examples
    --------
    >>> content = saturated_water_content(253.15, 7e6)
    >>> frost_point(content, 7e6) - 253.15  # K
    2.36
    """
    content = WATER_CONTENT.check(water_content)
    pascal = PRESSURE.check(pressure)
    wanted = functions_for(content).log(content)

    def log_excess(inverse: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
        log_content, slope, _ = log_water_content(inverse, pascal)
        log_liquid, liquid_slope = liquid_log_pressure(inverse)
        log_ice, ice_slope = ice_log_pressure(inverse)
        return wanted - (log_content + log_ice - log_liquid), liquid_slope - ice_slope - slope

    inverse = find_root_newton(log_excess, _START, *_BRACKET, quantity="frost point")
    return FROST_POINT.check(1.0 / inverse)


def dew_point_at_pressure(
    dew_point: FloatOrArray, pressure: FloatOrArray, other_pressure: FloatOrArray
) -> FloatOrArray:
    """Calculate the dew point that the same gas has at another pressure, as from contactor to pipeline.

    Parameters
    ----------
    dew_point : float or array
        Water dew point over liquid [K] at ``pressure``.
    pressure : float or array
        Pressure at which the dew point holds, absolute [Pa].
    other_pressure : float or array
        Pressure at which it is wanted, absolute [Pa].

    Returns
    -------
    float or array
        Water dew point over liquid at the other pressure [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the ranges of ``saturated_water_content`` and ``water_dew_point``.

    Notes
    -----
    Valid in the range of those two. The content stays, so only the method's error with pressure counts: the
    step from 70 to 40 bar differs by 1.1 to 1.3 K from one by a mixture of reference equations of state.

    References
    ----------
    ASTM D1142-95, as ``saturated_water_content``.

    Examples
    --------
    >>> dew_point_at_pressure(268.15, 7e6, 4e6)  # drier at lower pressure
    263.01
    """
    return water_dew_point(saturated_water_content(dew_point, pressure), other_pressure)
