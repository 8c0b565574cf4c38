"""Saturation pressure of water over liquid and over ice."""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import (
    WATER_CRITICAL_PRESSURE,
    WATER_CRITICAL_TEMPERATURE,
    WATER_TRIPLE_PRESSURE,
    WATER_TRIPLE_TEMPERATURE,
)

LIQUID_TEMPERATURE = ValidRange("temperature", 203.15, WATER_CRITICAL_TEMPERATURE, "K")
ICE_TEMPERATURE = ValidRange("temperature", 130.0, WATER_TRIPLE_TEMPERATURE, "K")

# Wagner & Pruss (1993), eq. 1: ln(p/pc) = (Tc/T) sum a_i tau^n_i.
_A1, _A2, _A3, _A4, _A5, _A6 = -7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502
_LOG_CRITICAL_PRESSURE = math.log(WATER_CRITICAL_PRESSURE)

# IAPWS R14-08, table 3: ln(p/pt) = (Tt/T) sum a_i (T/Tt)^b_i.
_ICE_TERMS = ((-21.2144006, 0.333333333e-2), (27.3203819, 1.20666667), (-6.10598130, 1.70333333))
_LOG_TRIPLE_PRESSURE = math.log(WATER_TRIPLE_PRESSURE)


def liquid_log_pressure(inverse_temperature: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
    """Give ln of the saturation pressure over liquid water and its slope, for use inside other equations.

    Parameters
    ----------
    inverse_temperature : float or array
        Reciprocal of the temperature [1/K].

    Returns
    -------
    tuple of float or array
        ln(p/Pa) [-] and its derivative by the inverse temperature [K].

    Raises
    ------
    ValueError
        A scalar temperature above the critical one.

    Notes
    -----
    Valid range and accuracy as ``saturation_pressure_over_liquid``, not checked here: an iteration may pass
    outside. In these variables the curve is nearly straight, which is why they are used.

    References
    ----------
    W. Wagner and A. Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783-787, eq. 1; IAPWS SR1-86(1992).

    Examples
    --------
    >>> log_pressure, slope = liquid_log_pressure(1 / 300.0)
    >>> log_pressure, slope
    (8.171, -5291.)
    """
    reduced = WATER_CRITICAL_TEMPERATURE * inverse_temperature
    tau = 1.0 - 1.0 / reduced
    root = functions_for(tau).sqrt(tau)
    square = tau * tau
    half = root * tau
    cube = square * tau
    fourth = square * square
    seventh = cube * fourth
    series = _A1 * tau + _A2 * half + _A3 * cube + _A4 * cube * root + _A5 * fourth + _A6 * seventh * root
    slope = (
        _A1
        + 1.5 * _A2 * root
        + 3.0 * _A3 * square
        + 3.5 * _A4 * square * root
        + 4.0 * _A5 * cube
        + 7.5 * _A6 * cube * cube * root
    )
    # d ln p / d(1/T) = Tc (series + (Tc/T) dtau/d(Tc/T) slope), and dtau/d(Tc/T) = (T/Tc)^2.
    return _LOG_CRITICAL_PRESSURE + reduced * series, WATER_CRITICAL_TEMPERATURE * (series + slope / reduced)


def ice_log_pressure(inverse_temperature: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
    """Give ln of the sublimation pressure of ice and its slope, for use inside other equations.

    Parameters
    ----------
    inverse_temperature : float or array
        Reciprocal of the temperature [1/K].

    Returns
    -------
    tuple of float or array
        ln(p/Pa) [-] and its derivative by the inverse temperature [K].

    Raises
    ------
    ValueError
        A scalar that is zero or negative.

    Notes
    -----
    Valid range and accuracy as ``saturation_pressure_over_ice``, not checked here: an iteration may pass
    outside.

    References
    ----------
    IAPWS R14-08(2011), eq. 6 and table 3.

    Examples
    --------
    >>> log_pressure, slope = ice_log_pressure(1 / 230.0)
    >>> log_pressure, slope
    (2.191, -6150.)
    """
    xp = functions_for(inverse_temperature)
    reduced = WATER_TRIPLE_TEMPERATURE * inverse_temperature
    log_reduced = xp.log(reduced)
    series: FloatOrArray = 0.0
    slope: FloatOrArray = 0.0
    for coefficient, exponent in _ICE_TERMS:
        term = coefficient * xp.exp((1.0 - exponent) * log_reduced)
        series = series + term
        slope = slope + (1.0 - exponent) * term
    return _LOG_TRIPLE_PRESSURE + series, slope / inverse_temperature


def saturation_pressure_over_liquid(temperature: FloatOrArray) -> FloatOrArray:
    """Calculate the saturation pressure of water over the liquid, supercooled below 0 degC.

    Parameters
    ----------
    temperature : float or array
        Temperature [K].

    Returns
    -------
    float or array
        Saturation pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid from the triple point to the critical point, 273.16 to 647.096 K, within 0.1 %; extrapolated over
    the supercooled liquid to 203.15 K. There it lies above Murphy and Koop's (2005) equation by 0.1 % at
    253 K, 0.7 % at 233 K, 5 % at 213 K and 9 % at 203 K (tests/published).

    References
    ----------
    W. Wagner and A. Pruss, International equations for the saturation properties of ordinary water substance,
    J. Phys. Chem. Ref. Data 22 (1993) 783-787, eq. 1; IAPWS SR1-86(1992).

    Examples
    --------
    >>> saturation_pressure_over_liquid(300.0)  # IAPWS-IF97: 3536.589
    3536.7
    """
    kelvin = LIQUID_TEMPERATURE.check(temperature)
    log_pressure, _ = liquid_log_pressure(1.0 / kelvin)
    return functions_for(kelvin).exp(log_pressure)


def saturation_pressure_over_ice(temperature: FloatOrArray) -> FloatOrArray:
    """Calculate the sublimation pressure of ordinary ice.

    Parameters
    ----------
    temperature : float or array
        Temperature [K].

    Returns
    -------
    float or array
        Sublimation pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid from 130 K (the equation itself from 50 K) to the triple point, 273.16 K; within about 0.1 % above
    190 K.

    References
    ----------
    IAPWS R14-08(2011), Revised release on the pressure along the melting and sublimation curves of ordinary
    water substance, eq. 6 and table 3.

    Examples
    --------
    >>> saturation_pressure_over_ice(230.0)  # R14-08, table for program verification: 8.94735
    8.94735
    """
    kelvin = ICE_TEMPERATURE.check(temperature)
    log_pressure, _ = ice_log_pressure(1.0 / kelvin)
    return functions_for(kelvin).exp(log_pressure)
