"""The contactor: Kremser's equation for the removal of water by lean glycol, and what follows from it.

The equilibrium constant and W_0 are those of the lean glycol at contactor temperature and pressure; the
saturated content in them is that of the contactor also when the feed is under-saturated.
"""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import STANDARD_MOLAR_VOLUME, TEG_MOLAR_MASS, WATER_MOLAR_MASS, WATER_STANDARD_DENSITY
from calc.equilibrium import water_activity, water_activity_coefficient
from calc.errors import NotConvergedError
from calc.glycol import density
from calc.kremser import kremser_efficiency, log_absorption_factor_for
from calc.water import saturated_water_content

RATE = ValidRange("rate", 0.0, 1e6, "m3/s")
WATER_CONTENT = ValidRange("water_content", 0.0, WATER_STANDARD_DENSITY, "kg per standard m3")
REMOVED = ValidRange("water_removed", 0.0, 1e6, "kg/s")


def absorption_factor(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    gas_rate: FloatOrArray,
    glycol_rate: FloatOrArray,
    teg_mass_fraction: FloatOrArray,
) -> FloatOrArray:
    """Absorption factor L/(K V) of a contactor.

    Parameters
    ----------
    temperature : float or array
        Gas temperature in the contactor [K].
    pressure : float or array
        Gas pressure in the contactor, absolute [Pa].
    gas_rate : float or array
        Gas rate [standard m3/s].
    glycol_rate : float or array
        Lean glycol rate [m3/s].
    teg_mass_fraction : float or array
        TEG in the lean glycol [kg/kg].

    Returns
    -------
    float or array
        Absorption factor [-].

    Raises
    ------
    OutOfRangeError
        A scalar outside the ranges of the properties it needs; an element of an array becomes NaN.
    ZeroDivisionError
        A scalar gas rate of 0.

    Notes
    -----
    Valid for 278 to 366 K, 0.85 to 0.99999 kg/kg. K is that of the lean glycol: towards the bottom, where the
    glycol is richer, K is up to 15 % higher, which Kremser's constant A leaves out. The glycol volume is
    taken at the gas temperature.

    References
    ----------
    Eqs. 18.2 and 18.4 of J. M. Campbell, Gas Conditioning and Processing, vol. 2: K = gamma W_sat / B.

    Examples
    --------
    >>> absorption_factor(310.93, 4.137e6, 9.813, 3.274e-4, 0.99)  # 30 MMscf/d at 600 psia, 3 gal/lb
    5.89
    """
    gas = RATE.check(gas_rate)
    glycol = RATE.check(glycol_rate)
    equilibrium = water_activity_coefficient(teg_mass_fraction) * saturated_water_content(
        temperature, pressure
    )
    lean_moles = glycol * density(temperature, teg_mass_fraction) * moles_per_mass(teg_mass_fraction)
    gas_moles = gas / STANDARD_MOLAR_VOLUME
    return lean_moles * WATER_STANDARD_DENSITY / (equilibrium * gas_moles)


def moles_per_mass(teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Amount of substance in a mass of glycol, its water included.

    Parameters
    ----------
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Amount per mass [mol/kg].

    Raises
    ------
    TypeError
        Something that is no number.

    Notes
    -----
    Valid for 0 to 1 kg/kg, not checked here; exact for a binary.

    References
    ----------
    Molar masses in ``calc.constants``.

    Examples
    --------
    >>> moles_per_mass(0.99)
    7.147
    """
    return teg_mass_fraction / TEG_MOLAR_MASS + (1.0 - teg_mass_fraction) / WATER_MOLAR_MASS


def outlet_water_content(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    gas_rate: FloatOrArray,
    glycol_rate: FloatOrArray,
    teg_mass_fraction: FloatOrArray,
    stages: FloatOrArray,
    inlet_water_content: FloatOrArray | None = None,
) -> FloatOrArray:
    """Water content of the gas that leaves a contactor.

    Parameters
    ----------
    temperature : float or array
        Gas temperature in the contactor [K].
    pressure : float or array
        Gas pressure in the contactor, absolute [Pa].
    gas_rate : float or array
        Gas rate [standard m3/s].
    glycol_rate : float or array
        Lean glycol rate [m3/s].
    teg_mass_fraction : float or array
        TEG in the lean glycol [kg/kg].
    stages : float or array
        Equilibrium stages: trays times tray efficiency, commonly 0.25 [-].
    inlet_water_content : float or array, optional
        Water content of the wet gas; ``None``: saturated in the contactor [kg per standard m3].

    Returns
    -------
    float or array
        Water content of the dry gas [kg per standard m3].

    Raises
    ------
    OutOfRangeError
        A scalar outside the ranges of the properties it needs; an element of an array becomes NaN.
    ZeroDivisionError
        A scalar gas rate of 0.

    Notes
    -----
    Valid for 278 to 366 K, 0.95 to 0.9999 kg/kg. Never drier than the equilibrium over the lean glycol. The
    largest error is that of the equilibrium: about 15 % of the content over lean glycol.

    References
    ----------
    Kremser (1930) as eqs. 18.2 and 18.4 of J. M. Campbell, Gas Conditioning and Processing, vol. 2.

    Examples
    --------
    >>> # 30 MMscf/d, 600 psia, 100 degF, 99.0 %, 3 gal/lb, 2 stages; handbook example: 7 lb/MMscf is met
    >>> outlet_water_content(310.93, 4.137e6, 9.813, 3.274e-4, 0.99, 2.0) / 1.60493e-5
    6.1
    """
    saturated = saturated_water_content(temperature, pressure)
    inlet = saturated if inlet_water_content is None else WATER_CONTENT.check(inlet_water_content)
    factor = absorption_factor(temperature, pressure, gas_rate, glycol_rate, teg_mass_fraction)
    efficiency = kremser_efficiency(factor, stages)
    return inlet - efficiency * (inlet - saturated * water_activity(teg_mass_fraction))


def required_glycol_rate(
    temperature: FloatOrArray,
    pressure: FloatOrArray,
    gas_rate: FloatOrArray,
    teg_mass_fraction: FloatOrArray,
    stages: FloatOrArray,
    limit_water_content: FloatOrArray,
    inlet_water_content: FloatOrArray | None = None,
) -> FloatOrArray:
    """Lean glycol rate at which the gas leaves a contactor with just a given water content.

    Parameters
    ----------
    temperature : float or array
        Gas temperature in the contactor [K].
    pressure : float or array
        Gas pressure in the contactor, absolute [Pa].
    gas_rate : float or array
        Gas rate [standard m3/s].
    teg_mass_fraction : float or array
        TEG in the lean glycol [kg/kg].
    stages : float or array
        Equilibrium stages [-].
    limit_water_content : float or array
        Wanted water content of the dry gas [kg per standard m3].
    inlet_water_content : float or array, optional
        Water content of the wet gas; ``None``: saturated in the contactor [kg per standard m3].

    Returns
    -------
    float or array
        Lean glycol rate [m3/s]; 0 where the wet gas already meets the content.

    Raises
    ------
    NotConvergedError
        A scalar content that this glycol cannot reach at any rate; an element of an array becomes NaN.
    OutOfRangeError
        A scalar outside the ranges of the properties it needs; an element of an array becomes NaN.

    Notes
    -----
    Valid and accurate as ``outlet_water_content``, whose inverse it is to 1e-9. Near the equilibrium content
    the rate grows without bound: better purity is then the remedy, not more glycol.

    References
    ----------
    As ``outlet_water_content``, solved by Newton's method.

    Examples
    --------
    >>> rate = required_glycol_rate(310.93, 4.137e6, 9.813, 0.99, 2.0, 7 * 1.60493e-5)
    >>> rate / 1.0515e-6  # gal/h
    250.
    """
    saturated = saturated_water_content(temperature, pressure)
    inlet = saturated if inlet_water_content is None else WATER_CONTENT.check(inlet_water_content)
    limit = WATER_CONTENT.check(limit_water_content)
    driest = saturated * water_activity(teg_mass_fraction)
    xp = functions_for(inlet, limit, driest, stages)
    unreachable = limit <= driest
    if unreachable is True:
        raise NotConvergedError(
            "glycol rate",
            0,
            f"{limit} is not above the {driest} kg per standard m3 in equilibrium with this glycol",
        )
    needed = limit < inlet
    ratio = (inlet - limit) / xp.where(unreachable, math.nan, limit - driest)
    log_factor = log_absorption_factor_for(xp.log(xp.where(needed, ratio, 1.0)), stages)
    per_factor = absorption_factor(temperature, pressure, gas_rate, 1.0, teg_mass_fraction)
    return xp.where(needed, xp.exp(log_factor) / per_factor, 0.0 * ratio)


def circulation_ratio(glycol_rate: FloatOrArray, water_removed: FloatOrArray) -> FloatOrArray:
    """Lean glycol circulated per water removed.

    Parameters
    ----------
    glycol_rate : float or array
        Lean glycol rate [m3/s].
    water_removed : float or array
        Water taken up by the glycol [kg/s].

    Returns
    -------
    float or array
        Circulation ratio [m3/kg].

    Raises
    ------
    OutOfRangeError
        A scalar below 0; an element of an array becomes NaN.
    ZeroDivisionError
        A scalar with no water removed.

    Notes
    -----
    Valid for any rates above 0; exact. Field practice runs 2 to 5 gal/lb, 3 being typical (handbooks, from
    memory).

    References
    ----------
    Definition.

    Examples
    --------
    >>> circulation_ratio(1.0914e-4, 4.3572e-3) / 8.3454e-3  # 103.75 gal/h for 34.58 lb/h
    3.00
    """
    return RATE.check(glycol_rate) / REMOVED.check(water_removed)


def rich_mass_fraction(
    lean_mass_fraction: FloatOrArray, glycol_mass_rate: FloatOrArray, water_removed: FloatOrArray
) -> FloatOrArray:
    """TEG mass fraction of the rich glycol, from the water balance of the contactor.

    Parameters
    ----------
    lean_mass_fraction : float or array
        TEG in the lean glycol [kg/kg].
    glycol_mass_rate : float or array
        Lean glycol rate [kg/s].
    water_removed : float or array
        Water taken up by the glycol [kg/s].

    Returns
    -------
    float or array
        TEG in the rich glycol [kg/kg].

    Raises
    ------
    OutOfRangeError
        A scalar below 0; an element of an array becomes NaN.
    ZeroDivisionError
        A scalar with neither glycol nor water.

    Notes
    -----
    Valid for any rates; exact where no TEG leaves with the gas (losses are some 13 L per 1e6 standard m3).

    References
    ----------
    Mass balance.

    Examples
    --------
    >>> rich_mass_fraction(0.99, 1.0, 0.04)
    0.952
    """
    mass = RATE.check(glycol_mass_rate)
    return lean_mass_fraction * mass / (mass + REMOVED.check(water_removed))


def water_balance_closure(
    water_from_gas: FloatOrArray,
    glycol_mass_rate: FloatOrArray,
    lean_mass_fraction: FloatOrArray,
    rich_mass_fraction: FloatOrArray,
) -> FloatOrArray:
    """Water that the glycol carried off over the water that the gas lost: 1 when the balance closes.

    Parameters
    ----------
    water_from_gas : float or array
        Gas rate times inlet less outlet water content, as measured [kg/s].
    glycol_mass_rate : float or array
        Lean glycol rate [kg/s].
    lean_mass_fraction : float or array
        TEG in the lean glycol by laboratory [kg/kg].
    rich_mass_fraction : float or array
        TEG in the rich glycol by laboratory [kg/kg].

    Returns
    -------
    float or array
        Closure [-]; above 1 the glycol shows more water than the gas lost.

    Raises
    ------
    ZeroDivisionError
        A scalar with no water from the gas, or with no TEG in the rich glycol.

    Notes
    -----
    Valid for any rates; exact. Two samples of 0.1 % standard uncertainty each leave about 4 % in the closure
    at 3 gal/lb. A closure off 1 by more than 20 % calls for a look at the gas meter, the pump and the samples
    (common practice, no source).

    References
    ----------
    Mass balance over the contactor.

    Examples
    --------
    >>> water_balance_closure(0.04, 1.0, 0.99, 0.99 / 1.04)
    1.00
    """
    return glycol_mass_rate * (lean_mass_fraction / rich_mass_fraction - 1.0) / water_from_gas
