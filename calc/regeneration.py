"""The reboiler and still column: how pure the lean glycol becomes.

The reboiler is one equilibrium stage: the lean glycol boils at the reboiler's temperature under the partial
pressures of water and TEG. Stripping gas takes a share of that pressure; led through a stripping column below
the reboiler it also strips the glycol a second time, countercurrent.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from calc.activity import activity_logarithms
from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import STANDARD_MOLAR_VOLUME, WATER_STANDARD_DENSITY
from calc.errors import NotConvergedError
from calc.glycol import teg_log_vapor_pressure
from calc.glycol import teg_mass_fraction as mass_fraction_at
from calc.kremser import log_removal_ratio
from calc.saturation import liquid_log_pressure
from calc.solvers import find_root

TEMPERATURE = ValidRange("temperature", 373.15, 500.0, "K")
PRESSURE = ValidRange("pressure", 20e3, 400e3, "Pa")
STRIPPING_GAS_RATIO = ValidRange("stripping_gas_ratio", 0.0, 500.0, "standard m3/m3")
WATER_BOILED_OFF = ValidRange("water_boiled_off", 0.1, 1000.0, "kg/m3")
STRIPPING_STAGES = ValidRange("stripping_stages", 0.0, 10.0)
PURITY = ValidRange("teg_mass_fraction", 0.5, 0.99999, "kg/kg")

TYPICAL_WATER_BOILED_OFF = 39.94
"""Water boiled off per lean glycol at the typical circulation ratio of 3 gal/lb [kg/m3]."""

_LEAN_MOLES_PER_VOLUME = 7500.0  # mol/m3 of lean TEG at pump temperature, 0.98 to 0.995 kg/kg within 4 %
_NOTHING = 1e-30  # stripping factor and stages that stand for none at all, so that their logarithms exist


class LeanGlycol(NamedTuple):
    """Mole fraction of water in the lean glycol [-], and how it answers to what sets it."""

    water_mole_fraction: FloatOrArray
    """Of the lean glycol [-]."""
    log_by_temperature: FloatOrArray
    """Slope of its logarithm with the reboiler temperature [1/K]."""
    log_by_log_pressure: FloatOrArray
    """Slope of its logarithm with that of the pressure [-]."""
    log_by_log_activity: FloatOrArray
    """Slope of its logarithm with an error in that of the activity coefficient of water [-]."""
    log_by_log_stripping: FloatOrArray
    """Slope of its logarithm with that of the stripping gas ratio [-]."""


def lean_water(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    stripping_gas_ratio: FloatOrArray,
    water_boiled_off: FloatOrArray,
    stripping_stages: float,
) -> LeanGlycol:
    """Solve the reboiler for the water in the lean glycol, with slopes, for use inside other equations.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature in the reboiler [K].
    pressure : float or array
        Pressure in the reboiler, absolute [Pa].
    stripping_gas_ratio : float or array
        Stripping gas per lean glycol [standard m3/m3].
    water_boiled_off : float or array
        Water boiled off per lean glycol [kg/m3].
    stripping_stages : float
        Equilibrium stages of a stripping column below the reboiler; 0 without one [-].

    Returns
    -------
    LeanGlycol
        Mole fraction of water [-] and its slopes; NaN where not even pure water would boil.

    Raises
    ------
    ValueError
        A scalar far outside the ranges.

    Notes
    -----
    Valid in the ranges of ``lean_mass_fraction``, not checked here. Newton's method on the boiling pressure,
    which rises with the mole fraction of water and bends little; four steps leave less than 1e-9.

    References
    ----------
    As ``lean_mass_fraction``.

    Examples
    --------
    >>> lean_water(477.59, 101325.0, 0.0, 39.94, 0.0).water_mole_fraction
    0.0966
    """
    xp = functions_for(temperature, pressure, stripping_gas_ratio, water_boiled_off)
    exp, log = xp.exp, xp.log
    log_steam, steam_slope = liquid_log_pressure(1.0 / temperature)
    steam = exp(log_steam)
    steam_slope = -steam_slope / (temperature * temperature)  # d ln p / dT [1/K]
    log_teg_pressure, teg_slope = teg_log_vapor_pressure(temperature)
    teg = exp(log_teg_pressure)

    vapor = water_boiled_off / WATER_STANDARD_DENSITY  # standard m3 of steam per m3 of glycol
    # A shut-in unit has neither steam nor gas.
    gas_share = stripping_gas_ratio / xp.maximum(stripping_gas_ratio + vapor, _NOTHING)
    boiling = pressure * (1.0 - gas_share)

    boils = (steam > boiling) & (boiling > teg)
    activity = xp.where(boils, (boiling - teg) / (steam - teg), math.nan)
    x = activity * (1.75 - 0.75 * activity)
    for _ in range(4):
        log_water, log_teg, slope = activity_logarithms(x)
        water_part, teg_part = exp(log_water) * steam, exp(log_teg) * teg
        residual = x * water_part + (1.0 - x) * teg_part - boiling
        x = x - residual / ((1.0 + x * slope) * (water_part - teg_part))

    log_water, log_teg, slope = activity_logarithms(x)
    water_part, teg_part = exp(log_water) * steam, exp(log_teg) * teg
    by_log_x = x * (1.0 + x * slope) * (water_part - teg_part)
    by_temperature = -(x * water_part * steam_slope + (1.0 - x) * teg_part * teg_slope) / by_log_x
    by_log_pressure = boiling / by_log_x
    by_log_activity = -x * water_part / by_log_x
    by_log_stripping = -by_log_pressure * gas_share
    if stripping_stages <= 0.0:
        return LeanGlycol(x, by_temperature, by_log_pressure, by_log_activity, by_log_stripping)

    # A stripping column is an absorber upside down: its factor is K G / L and its inlet gas is dry.
    gas_moles = xp.maximum(stripping_gas_ratio / STANDARD_MOLAR_VOLUME, _NOTHING)
    log_factor = log(water_part * gas_moles / (pressure * _LEAN_MOLES_PER_VOLUME))
    log_ratio, by_factor, _ = log_removal_ratio(log_factor, stripping_stages)
    ratio = exp(log_ratio)
    lost = ratio / (1.0 + ratio) * by_factor  # slope of ln(1 + ratio) with ln(factor)
    again = 1.0 - lost * x * slope  # the factor holds gamma, which follows the glycol out of the reboiler
    return LeanGlycol(
        x / (1.0 + ratio),
        by_temperature * again - lost * steam_slope,
        by_log_pressure * again + lost,
        by_log_activity * again - lost,
        by_log_stripping * again - lost,
    )


def lean_mass_fraction(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    stripping_gas_ratio: FloatOrArray = 0.0,
    *,
    water_boiled_off: FloatOrArray = TYPICAL_WATER_BOILED_OFF,
    stripping_stages: float = 0.0,
) -> FloatOrArray:
    """Calculate the TEG mass fraction of the lean glycol that leaves a reboiler.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature in the reboiler [K].
    pressure : float or array
        Pressure in the reboiler, absolute: barometric plus still back-pressure [Pa].
    stripping_gas_ratio : float or array
        Stripping gas per lean glycol [standard m3/m3].
    water_boiled_off : float or array
        Water boiled off per lean glycol, the reciprocal of the circulation ratio [kg/m3]; it dilutes the
        stripping gas and matters only with it. The default is that of 3 gal/lb.
    stripping_stages : float
        Equilibrium stages of a stripping column below the reboiler; 0: the gas is sparged into it [-].

    Returns
    -------
    float or array
        TEG in the lean glycol [kg/kg].

    Raises
    ------
    NotConvergedError
        A scalar temperature at which the glycol does not boil at this pressure; an element becomes NaN.
    OutOfRangeError
        A scalar outside 373.15 to 500 K, 20 to 400 kPa or the other ranges; an element becomes NaN.

    Notes
    -----
    Valid for 440 to 480 K at 75 to 130 kPa. Standard uncertainty 0.2 % of mass at 204 degC without stripping
    gas: the handbook ranges of 98.0 to 98.3 % at 375 degF and 98.6 to 98.8 % at 400 degF (from memory) are
    met though nothing of them went into the model. Stripping gas: physics only, no measured value was at
    hand; handbook curves (from memory) put 3 to 4 scf/gal in a column near 99.6 to 99.9 %. The column is
    taken at reboiler temperature. Reflux is left out. Glycol breaks down from 206.7 degC (404 degF, from
    memory): hotter is not the way.

    References
    ----------
    Bubble point of the model in ``calc.equilibrium``; A. Kremser (1930) for the stripping column.

    Examples
    --------
    >>> lean_mass_fraction(477.59, 101325.0)  # 400 degF, sea level; handbooks 0.986 to 0.988
    0.9873
    >>> lean_mass_fraction(477.59, 84300.0)  # the same at 5000 ft
    0.9897
    """
    t = TEMPERATURE.check(temperature)
    p = PRESSURE.check(pressure)
    gas = STRIPPING_GAS_RATIO.check(stripping_gas_ratio)
    boiled = WATER_BOILED_OFF.check(water_boiled_off)
    STRIPPING_STAGES.check(stripping_stages)
    x = lean_water(t, p, gas, boiled, stripping_stages).water_mole_fraction
    if isinstance(x, float) and math.isnan(x) and not math.isnan(t + p + gas + boiled):
        raise NotConvergedError("lean mass fraction", 0, f"glycol does not boil at {t:g} K and {p:g} Pa")
    return mass_fraction_at(x)


def reboiler_temperature_for(
    teg_mass_fraction: FloatOrArray,
    pressure: FloatOrArray,
    stripping_gas_ratio: FloatOrArray = 0.0,
    *,
    water_boiled_off: FloatOrArray = TYPICAL_WATER_BOILED_OFF,
    stripping_stages: float = 0.0,
) -> FloatOrArray:
    """Calculate the reboiler temperature that a lean purity needs.

    Parameters
    ----------
    teg_mass_fraction : float or array
        Wanted TEG in the lean glycol [kg/kg].
    pressure : float or array
        Pressure in the reboiler, absolute [Pa].
    stripping_gas_ratio : float or array
        Stripping gas per lean glycol [standard m3/m3].
    water_boiled_off : float or array
        Water boiled off per lean glycol [kg/m3].
    stripping_stages : float
        Equilibrium stages of a stripping column [-].

    Returns
    -------
    float or array
        Glycol temperature in the reboiler [K].

    Raises
    ------
    NotConvergedError
        A scalar purity outside what 373.15 to 500 K give; an element of an array becomes NaN.
    OutOfRangeError
        A scalar outside the ranges of its arguments; an element of an array becomes NaN.

    Notes
    -----
    Valid and accurate as ``lean_mass_fraction``, whose inverse it is to 1e-8 K. A result above 477.6 K
    (400 degF, the recommended maximum) says that the purity needs stripping gas, not more heat.

    References
    ----------
    As ``lean_mass_fraction``.

    Examples
    --------
    >>> reboiler_temperature_for(0.985, 101325.0) - 273.15
    197.5
    """
    w = PURITY.check(teg_mass_fraction)
    p = PRESSURE.check(pressure)
    gas = STRIPPING_GAS_RATIO.check(stripping_gas_ratio)
    boiled = WATER_BOILED_OFF.check(water_boiled_off)
    STRIPPING_STAGES.check(stripping_stages)

    def excess_purity(t: FloatOrArray) -> FloatOrArray:
        x = lean_water(t, p, gas, boiled, stripping_stages).water_mole_fraction
        xp = functions_for(x, w)
        # Where glycol does not boil it is as wet as can be; where it boils dry, as pure.
        return xp.where(xp.isnan(x), -1.0, mass_fraction_at(x)) - w

    return find_root(
        excess_purity, TEMPERATURE.lower, TEMPERATURE.upper, quantity="reboiler temperature", tolerance=1e-9
    )
