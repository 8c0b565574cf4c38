"""Properties of triethylene glycol (TEG) with a little water, as a gas dehydration unit circulates it.

Composition is the TEG mass fraction throughout; the mole fraction of water is what equilibrium needs.
"""

from __future__ import annotations

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import GAS_CONSTANT, TEG_MOLAR_MASS, WATER_MOLAR_MASS

MASS_FRACTION = ValidRange("teg_mass_fraction", 0.0, 1.0, "kg/kg")
WATER_MOLE_FRACTION = ValidRange("water_mole_fraction", 0.0, 1.0)
CIRCULATED_MASS_FRACTION = ValidRange("teg_mass_fraction", 0.85, 1.0, "kg/kg")
DENSITY_TEMPERATURE = ValidRange("temperature", 278.0, 480.0, "K")
VISCOSITY_TEMPERATURE = ValidRange("temperature", 283.0, 375.0, "K")
HEAT_CAPACITY_TEMPERATURE = ValidRange("temperature", 274.0, 490.0, "K")
VAPOR_PRESSURE_TEMPERATURE = ValidRange("temperature", 278.0, 560.0, "K")


def water_mole_fraction(teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Convert the TEG mass fraction of a TEG-water solution to the mole fraction of water.

    Parameters
    ----------
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Mole fraction of water [-].

    Raises
    ------
    OutOfRangeError
        A scalar below 0 or above 1; an element of an array becomes NaN.

    Notes
    -----
    Valid from pure water to pure TEG; exact for a binary. One percent of water by mass is 7.8 % by mole,
    which is why lean glycol binds so little and dries so well.

    References
    ----------
    Definition of the mole fraction; molar masses in ``calc.constants``.

    Examples
    --------
    >>> water_mole_fraction(0.987)  # J. M. Campbell, vol. 2, example 18.3: 0.0989
    0.0990
    """
    w = MASS_FRACTION.check(teg_mass_fraction)
    water = (1.0 - w) / WATER_MOLAR_MASS
    return water / (water + w / TEG_MOLAR_MASS)


def teg_mass_fraction(water_mole_fraction: FloatOrArray) -> FloatOrArray:
    """Convert the mole fraction of water in a TEG-water solution to the TEG mass fraction.

    Parameters
    ----------
    water_mole_fraction : float or array
        Mole fraction of water [-].

    Returns
    -------
    float or array
        TEG in the solution [kg/kg].

    Raises
    ------
    OutOfRangeError
        A scalar below 0 or above 1; an element of an array becomes NaN.

    Notes
    -----
    Valid from pure TEG to pure water; exact for a binary, the inverse of ``water_mole_fraction``.

    References
    ----------
    Definition of the mole fraction; molar masses in ``calc.constants``.

    Examples
    --------
    >>> teg_mass_fraction(0.0990)
    0.9870
    """
    x = WATER_MOLE_FRACTION.check(water_mole_fraction)
    teg = (1.0 - x) * TEG_MOLAR_MASS
    return teg / (teg + x * WATER_MOLAR_MASS)


def density(temperature: FloatOrArray, teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Density of TEG with up to 15 % water.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Density [kg/m3].

    Raises
    ------
    OutOfRangeError
        A scalar outside 278 to 480 K or 0.85 to 1 kg/kg; an element of an array becomes NaN.

    Notes
    -----
    Valid for 278 to 480 K and 0.85 to 1 kg/kg at ambient pressure; root mean square deviation 0.7 kg/m3,
    largest 2.8 kg/m3, on 552 measured values (278 to 476 K). Contactor pressure adds about 0.3 % at 70 bar,
    which is left out.

    References
    ----------
    Polynomial fitted to the TEG and TEG-water densities in the ThermoML archive of NIST (data and DOIs in
    ``tests/data/teg_density.csv``).

    Examples
    --------
    >>> density(313.15, 1.0)
    1108.42
    """
    kelvin = DENSITY_TEMPERATURE.check(temperature)
    t = kelvin - 313.15
    u = 1.0 - CIRCULATED_MASS_FRACTION.check(teg_mass_fraction)
    return 1108.42 - 0.763399 * t - 4.66894e-4 * t * t - 39.2997 * u - 0.0550322 * u * t - 64.5719 * u * u


def viscosity(temperature: FloatOrArray, teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Dynamic viscosity of TEG with up to 15 % water.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Dynamic viscosity [Pa s].

    Raises
    ------
    OutOfRangeError
        A scalar outside 283 to 375 K or 0.85 to 1 kg/kg; an element of an array becomes NaN.

    Notes
    -----
    Valid for 283 to 375 K and 0.85 to 1 kg/kg. Pure TEG within 10 % of a second published correlation over
    that range. The mixing rule (logarithm, weighted by mass) is from memory and unchecked: allow 15 %.
    Meant for the question whether cold glycol still flows, not for pressure drop.

    References
    ----------
    Pure TEG: DIPPR equation 101 with the 2023 fit in the open library ``chemicals``. Water: Vogel equation
    fitted to IAPWS R12-08(2008), within 0.8 % from 275 to 480 K.

    Examples
    --------
    >>> viscosity(298.15, 1.0) * 1e3  # mPa s
    37.26
    """
    t = VISCOSITY_TEMPERATURE.check(temperature)
    w = CIRCULATED_MASS_FRACTION.check(teg_mass_fraction)
    xp = functions_for(t, w)
    log_t = xp.log(t)
    log_teg = (
        5.040174421869543
        + 922.2647717582392 / t
        - 2.313301815094705 * log_t
        + 21472742292402.8 * xp.exp(-5.28894545535077 * log_t)
    )
    log_water = -10.60314194 + 561.17308911 / (t - 141.68055537)
    return xp.exp(w * log_teg + (1.0 - w) * log_water)


def heat_capacity(temperature: FloatOrArray, teg_mass_fraction: FloatOrArray) -> FloatOrArray:
    """Isobaric heat capacity of liquid TEG with up to 15 % water.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].
    teg_mass_fraction : float or array
        TEG in the solution [kg/kg].

    Returns
    -------
    float or array
        Specific heat capacity [J/(kg K)].

    Raises
    ------
    OutOfRangeError
        A scalar outside 274 to 490 K or 0.85 to 1 kg/kg; an element of an array becomes NaN.

    Notes
    -----
    Valid for 274 to 490 K and 0.85 to 1 kg/kg. Pure TEG: the source's class IV data (3 % at best); a second
    published correlation is 0.6 % lower at 25 degC and 7 % higher at 204 degC. Mixing by mass, without excess
    heat capacity: allow 3 % more.

    References
    ----------
    TEG: M. Zabransky et al., Heat Capacity of Liquids, J. Phys. Chem. Ref. Data Monograph 6 (1996), spline
    coefficients as in the open library ``chemicals``. Water: quartic fitted to IAPWS-IF97 along saturation,
    within 0.1 % from 275 to 480 K.

    Examples
    --------
    >>> heat_capacity(298.15, 1.0)
    2219.
    """
    t = HEAT_CAPACITY_TEMPERATURE.check(temperature)
    w = CIRCULATED_MASS_FRACTION.check(teg_mass_fraction)
    hundreds = t / 100.0
    teg = GAS_CONSTANT / TEG_MOLAR_MASS * (21.8977 + (6.78396 - 0.230978 * hundreds) * hundreds)
    c = t - 373.15
    water = 4217.39 + c * (1.29705 + c * (9.75911e-3 + c * (9.31021e-6 + c * 3.98186e-7)))
    return w * teg + (1.0 - w) * water


def teg_vapor_pressure(temperature: FloatOrArray) -> FloatOrArray:
    """Vapour pressure of pure TEG.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].

    Returns
    -------
    float or array
        Vapour pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside 278 to 560 K; an element of an array becomes NaN.

    Notes
    -----
    Valid for 278 to 560 K: -0.6 to +5.1 % on seven measured values between 480 and 559 K; below 457 K the
    equation is extrapolated, and below 400 K published correlations differ by 40 %. At 204 degC TEG makes up
    9 % of the pressure in an atmospheric reboiler, so the error costs about 0.01 % of purity.

    References
    ----------
    Antoine equation of Landolt-Boernstein, New Series, group IV, volume 20 (Vapor Pressure of Chemicals),
    coefficients as in the open library ``chemicals``.

    Examples
    --------
    >>> teg_vapor_pressure(477.55) / 1e3  # 204.4 degC, in kPa
    9.11
    """
    t = VAPOR_PRESSURE_TEMPERATURE.check(temperature)
    return functions_for(t).exp(teg_log_vapor_pressure(t)[0])


def teg_log_vapor_pressure(temperature: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
    """Give ln of the vapour pressure of pure TEG and its slope, for use inside other equations.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].

    Returns
    -------
    tuple of float or array
        ln(p/Pa) [-] and its slope with the temperature [1/K].

    Raises
    ------
    ZeroDivisionError
        A scalar of 48.247 K.

    Notes
    -----
    Valid range and accuracy as ``teg_vapor_pressure``, not checked here: an iteration may pass outside.

    References
    ----------
    As ``teg_vapor_pressure``.

    Examples
    --------
    >>> teg_log_vapor_pressure(477.55)
    (9.117, 0.0351)
    """
    kelvin = temperature - 48.247
    return 24.192133305392872 - 6471.677898560368 / kelvin, 6471.677898560368 / (kelvin * kelvin)
