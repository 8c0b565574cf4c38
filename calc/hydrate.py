"""Where natural gas forms hydrates: temperature from pressure and gravity, and the distance to it.

A hydrate is a solid of water and gas that forms well above 0 degC under pressure wherever free water (or
glycol too weak to hold it) is present. It blocks lines and traps pressure: a plug that is freed on one side
can move like a projectile. Hydrate work follows site procedures.
"""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import PSI
from calc.conversions import DEGREE_FAHRENHEIT

PRESSURE = ValidRange("pressure", 60.0 * PSI, 4000.0 * PSI, "Pa")
SPECIFIC_GRAVITY = ValidRange("specific_gravity", 0.55, 1.0)
HYDROGEN_SULFIDE = ValidRange("hydrogen_sulfide", 0.0, 1.0, "mole fraction")
MOTIEE_PRESSURE = ValidRange("pressure", 100.0 * PSI, 4000.0 * PSI, "Pa")
MOTIEE_GRAVITY = ValidRange("specific_gravity", 0.55, 0.90)


def hydrate_temperature(pressure: FloatOrArray, specific_gravity: FloatOrArray) -> FloatOrArray:
    """Estimate the highest temperature at which hydrates form, by Towler and Mokhatab, within about 3 K.

    Parameters
    ----------
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        Hydrate temperature [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for sweet gas with free water, 60 to 4000 psia (0.41 to 27.6 MPa), gravity 0.55 to 1.0. The gravity
    chart that it fits does not know the composition: readings of the same chart differ by 2 to 3 K, and for
    nearly pure methane (gravity below about 0.58) it lies up to 7 K above measured values, on the safe side.
    H2S raises the true temperature (``hydrate_uncertainty``); glycol and methanol lower it.

    References
    ----------
    B. F. Towler and S. Mokhatab, Quickly estimate hydrate formation conditions in natural gases, Hydrocarbon
    Processing 84 (April 2005) 61-62.

    Examples
    --------
    >>> (hydrate_temperature(6.8948e6, 0.65) - 273.15) * 1.8 + 32  # degF at 1000 psia
    62.9
    """
    pascal = PRESSURE.check(pressure)
    gravity = SPECIFIC_GRAVITY.check(specific_gravity)
    log = functions_for(pascal, gravity).log
    log_pressure, log_gravity = log(pascal / PSI), log(gravity)
    fahrenheit = 13.47 * log_pressure + 34.27 * log_gravity - 1.675 * log_pressure * log_gravity - 20.35
    return DEGREE_FAHRENHEIT.to_si(fahrenheit)


def hydrate_uncertainty(hydrogen_sulfide: float) -> float:
    """Say how far H2S may raise the hydrate temperature above that of sweet gas.

    Parameters
    ----------
    hydrogen_sulfide : float
        Mole fraction in the gas [-].

    Returns
    -------
    float
        Standard uncertainty that comes on top of the method's own [K]; 0 for sweet gas.

    Raises
    ------
    OutOfRangeError
        A mole fraction outside 0 to 1.

    Notes
    -----
    Valid as an order of magnitude to 10 mol %: 0.4 K for each mol % (from memory of charts for sour gas). It
    goes one way, up, so that it counts whole as one standard deviation; it judges, it does not correct.

    References
    ----------
    L. E. Baillie and E. Wichert, Chart gives hydrate formation temperature for natural gas, Oil and Gas
    Journal 85 (6 April 1987) 37-39 (from memory).

    Examples
    --------
    >>> hydrate_uncertainty(0.05)
    2.0
    """
    HYDROGEN_SULFIDE.check(hydrogen_sulfide)
    return 40.0 * hydrogen_sulfide


def hydrate_temperature_motiee(pressure: FloatOrArray, specific_gravity: FloatOrArray) -> FloatOrArray:
    """Estimate the highest temperature at which hydrates form, by Motiee: the second method.

    Parameters
    ----------
    pressure : float or array
        Gas pressure, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        Hydrate temperature [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for sweet gas with free water, 100 to 4000 psia (0.69 to 27.6 MPa), gravity 0.55 to 0.90. It reads 2
    to 4 K below the gravity chart for lean gas, on the unsafe side; its distance from ``hydrate_temperature``
    is a fair picture of what a gravity alone can tell.

    References
    ----------
    M. Motiee, Estimate possibility of hydrates, Hydrocarbon Processing 70 (July 1991) 98-99.

    Examples
    --------
    >>> (hydrate_temperature_motiee(6.8948e6, 0.65) - 273.15) * 1.8 + 32  # degF at 1000 psia
    60.2
    """
    pascal = MOTIEE_PRESSURE.check(pressure)
    gravity = MOTIEE_GRAVITY.check(specific_gravity)
    log10 = functions_for(pascal, gravity).log(pascal / PSI) / math.log(10.0)
    fahrenheit = (
        -238.24469
        + 78.99181 * log10
        - 5.352544 * log10 * log10
        + 349.47324 * gravity
        - 150.85396 * gravity * gravity
        - 27.604065 * gravity * log10
    )
    return DEGREE_FAHRENHEIT.to_si(fahrenheit)


def hydrate_margin(
    temperature: FloatOrArray, pressure: FloatOrArray, specific_gravity: FloatOrArray
) -> FloatOrArray:
    """Calculate how far gas is above its hydrate temperature; negative inside the hydrate region.

    Parameters
    ----------
    temperature : float or array
        Coldest temperature of the gas [K].
    pressure : float or array
        Gas pressure there, absolute [Pa].
    specific_gravity : float or array
        Molar mass of the gas over that of air [-].

    Returns
    -------
    float or array
        Temperature less hydrate temperature [K].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range of ``hydrate_temperature``.

    Notes
    -----
    Valid and accurate as ``hydrate_temperature``, about 3 K. A negative margin alone makes no hydrate: water
    must be there too. Gas whose water dew point is below the hydrate temperature forms hydrate later than
    this says.

    References
    ----------
    Towler and Mokhatab (2005), as ``hydrate_temperature``.

    Examples
    --------
    >>> hydrate_margin(283.15, 6.8948e6, 0.65)  # 50 degF at 1000 psia: 7 K inside the region
    -7.1
    """
    return temperature - hydrate_temperature(pressure, specific_gravity)
