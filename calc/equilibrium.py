"""Equilibrium between TEG-water solutions and water vapour: one activity model for contactor and reboiler.

The model is UNIQUAC with the structural parameters of original UNIFAC and one energy parameter, fitted to
measured boiling points only (51 points, 50 to 100 kPa). No handbook chart went into the fit, so handbook
figures at either end of a dehydration unit test it. ``tests/published/README.md`` shows how it and its rivals
sit against every measured set; ``tests/published/fit_equilibrium.py`` repeats the fit.

The gas phase is ideal here: pressure acts on the water content of gas, not on the dew point that is carried
from glycol to gas.
"""

from __future__ import annotations

from calc.activity import activity_logarithms, mole_fraction_at_activity
from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.glycol import teg_mass_fraction as _teg_mass_fraction
from calc.glycol import teg_vapor_pressure
from calc.glycol import water_mole_fraction as _water_mole_fraction
from calc.saturation import liquid_log_pressure

TEMPERATURE = ValidRange("temperature", 273.15, 500.0, "K")
DRYING_MASS_FRACTION = ValidRange("teg_mass_fraction", 0.0, 0.99999, "kg/kg")
ACTIVITY = ValidRange("water activity that the dew point means", 0.0, 1.0)
DEW_POINT = ValidRange("dew_point", 202.0, 500.0, "K")


def water_activity_coefficient(teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Activity coefficient of water in TEG.

    Parameters
    ----------
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Activity coefficient on the basis of pure water [-].

    Raises
    ------
    OutOfRangeError
        A scalar below 0 or above 1; an element of an array becomes NaN.

    Notes
    -----
    Valid from pure water to pure TEG, 278 to 480 K; independent of temperature, because a temperature
    dependence cannot be fixed without data below 350 K. Boiling pressures: 3.9 % root mean square on the 51
    fitted points. For lean glycol allow a standard uncertainty of 0.16 in its logarithm: no measured point
    below 80 degC was at hand, and the published sets contradict each other below a mole fraction of water of
    0.25.

    References
    ----------
    D. S. Abrams and J. M. Prausnitz, AIChE J. 21 (1975) 116-128. Data: ThermoML archive of NIST,
    doi 10.1021/acs.jced.7b00945. Structure: H. K. Hansen et al., Ind. Eng. Chem. Res. 30 (1991) 2352-2355.

    Examples
    --------
    >>> water_activity_coefficient(0.987)  # J. M. Campbell, vol. 2, figure 18.7 reads 0.66
    0.567
    """
    x = _water_mole_fraction(teg_mass_fraction)
    return functions_for(x).exp(activity_logarithms(x)[0])


def water_activity(teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Activity of water over TEG: its partial pressure over that of pure water at the same temperature.

    Parameters
    ----------
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Activity [-].

    Raises
    ------
    OutOfRangeError
        A scalar below 0 or above 1; an element of an array becomes NaN.

    Notes
    -----
    Valid from pure water (1) to pure TEG (0); accuracy as ``water_activity_coefficient``.

    References
    ----------
    As ``water_activity_coefficient``.

    Examples
    --------
    >>> water_activity(0.99)
    0.0433
    """
    x = _water_mole_fraction(teg_mass_fraction)
    return x * functions_for(x).exp(activity_logarithms(x)[0])


def bubble_pressure(temperature: FloatOrArray, teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Pressure at which a TEG-water solution boils.

    Parameters
    ----------
    temperature : float or array
        Temperature of the solution [K].
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Boiling pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside 273.15 to 500 K or 0 to 1 kg/kg; an element of an array becomes NaN.

    Notes
    -----
    Valid for 273.15 to 500 K over the whole range of composition, at low pressure (ideal vapour): 3.9 % root
    mean square on the fitted set of 51 points, 4 % and 9 % on the usable parts of two other published sets.

    References
    ----------
    Modified Raoult's law with ``water_activity_coefficient``, ``calc.saturation`` and ``calc.glycol``.

    Examples
    --------
    >>> bubble_pressure(401.01, 0.89628) / 1e3  # measured: 100.0 kPa, doi 10.1021/acs.jced.7b00945
    95.0
    """
    t = TEMPERATURE.check(temperature)
    x = _water_mole_fraction(teg_mass_fraction)
    exp = functions_for(t, x).exp
    log_water, log_teg, _ = activity_logarithms(x)
    return x * exp(log_water + liquid_log_pressure(1.0 / t)[0]) + (1.0 - x) * exp(
        log_teg
    ) * teg_vapor_pressure(t)


def dew_point_over_glycol(temperature: FloatOrArray, teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Water dew point of gas in equilibrium with a TEG solution, on the basis of liquid water.

    Parameters
    ----------
    temperature : float or array
        Temperature of glycol and gas [K].
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Water dew point [K]; below 273.15 K over supercooled liquid, not a frost point.

    Raises
    ------
    OutOfRangeError
        A scalar outside 273.15 to 500 K or 0 to 0.99999 kg/kg; an element of an array becomes NaN.

    Notes
    -----
    Valid for 283 to 333 K and 0.95 to 0.999 kg/kg as contactors use it. Standard uncertainty 2 K at 0.99:
    handbook readings of 14 degF (100 degF, 99.0 %, from memory) and of an activity coefficient of 0.66
    (40 degC, 98.7 %) lie 0.1 and 2.1 K above it. Ice or hydrate appear at a higher temperature.

    References
    ----------
    As ``water_activity_coefficient``; the dew point is where pure water has the partial pressure of the water
    over the glycol.

    Examples
    --------
    >>> dew_point_over_glycol(310.93, 0.99)  # 100 degF, 99.0 %: handbook 14 degF, 263.15 K (from memory)
    263.04
    """
    t = TEMPERATURE.check(temperature)
    x = _water_mole_fraction(DRYING_MASS_FRACTION.check(teg_mass_fraction))
    log_pressure = functions_for(x).log(x) + activity_logarithms(x)[0] + liquid_log_pressure(1.0 / t)[0]
    return dew_point_at_log_pressure(log_pressure)


def teg_mass_fraction_for_dew_point(temperature: FloatOrArray, dew_point: FloatOrArray) -> FloatOrArray:
    """TEG mass fraction over which gas has a given water dew point: the lean purity that a dew point needs.

    Parameters
    ----------
    temperature : float or array
        Temperature of glycol and gas [K].
    dew_point : float or array
        Water dew point on the basis of liquid water [K].

    Returns
    -------
    float or array
        TEG in the solution [kg/kg].

    Raises
    ------
    OutOfRangeError
        A scalar outside 273.15 to 500 K, a dew point below 202 K or above the temperature; an element of an
        array becomes NaN.

    Notes
    -----
    Valid and accurate as ``dew_point_over_glycol``, whose inverse it is to 1e-12. A contactor needs more than
    this: it comes within some 3 to 8 K of equilibrium at its top (common practice).

    References
    ----------
    As ``dew_point_over_glycol``, solved by Newton's method.

    Examples
    --------
    >>> teg_mass_fraction_for_dew_point(310.93, 263.15)
    0.9899
    """
    t = TEMPERATURE.check(temperature)
    d = DEW_POINT.check(dew_point)
    log_activity = liquid_log_pressure(1.0 / d)[0] - liquid_log_pressure(1.0 / t)[0]
    xp = functions_for(t, d)
    activity = ACTIVITY.check(xp.exp(log_activity))
    return _teg_mass_fraction(mole_fraction_at_activity(activity))


def dew_point_at_log_pressure(log_pressure: FloatOrArray) -> FloatOrArray:
    """Temperature at which liquid water has a given vapour pressure, for use inside other equations.

    Parameters
    ----------
    log_pressure : float or array
        Logarithm of the vapour pressure in pascal, ln(p/Pa) [-].

    Returns
    -------
    float or array
        Temperature [K].

    Raises
    ------
    ValueError
        A scalar above the critical pressure.

    Notes
    -----
    Valid from 203 to 640 K, not checked here; the inverse of ``liquid_log_pressure`` to 1e-9 K. ln p
    is so nearly straight in 1/T that three Newton steps from a straight line leave 1e-9 K.

    References
    ----------
    W. Wagner and A. Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783-787, eq. 1.

    Examples
    --------
    >>> dew_point_at_log_pressure(11.5261)  # 101.325 kPa
    373.12
    """
    inverse = (25.5 - log_pressure) / 5220.0
    for _ in range(3):
        value, slope = liquid_log_pressure(inverse)
        inverse = inverse - (value - log_pressure) / slope
    return 1.0 / inverse
