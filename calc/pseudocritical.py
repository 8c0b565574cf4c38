"""Pseudo-critical temperature and pressure of a natural gas from its gravity: two published ways."""

from __future__ import annotations

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import PSI, RANKINE

SPECIFIC_GRAVITY = ValidRange("specific_gravity", 0.55, 1.68)
CARBON_DIOXIDE = ValidRange("carbon_dioxide", 0.0, 0.54, "mole fraction")
HYDROGEN_SULFIDE = ValidRange("hydrogen_sulfide", 0.0, 0.73, "mole fraction")
NITROGEN = ValidRange("nitrogen", 0.0, 0.3, "mole fraction")

# Critical constants (degR, psia) and gravities of the components that Sutton's correlation leaves out; GPSA
# Engineering Data Book, section 23 (from memory, checked against CoolProp within 0.5 %).
_CO2 = (547.58, 1071.0, 1.5196)
_H2S = (672.12, 1306.0, 1.1767)
_N2 = (227.16, 493.1, 0.9672)


def pseudo_critical_sutton(
    specific_gravity: FloatOrArray,
    *,
    carbon_dioxide: FloatOrArray = 0.0,
    hydrogen_sulfide: FloatOrArray = 0.0,
    nitrogen: FloatOrArray = 0.0,
) -> tuple[FloatOrArray, FloatOrArray]:
    """Estimate pseudo-critical temperature and pressure by Sutton, with Wichert and Aziz for acid gases.

    Parameters
    ----------
    specific_gravity : float or array
        Molar mass of the whole gas over that of air [-].
    carbon_dioxide, hydrogen_sulfide, nitrogen : float or array
        Mole fractions in the gas [-].

    Returns
    -------
    tuple of float or array
        Pseudo-critical temperature [K] and pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for gravity 0.57 to 1.68 (0.55 to 0.57 is a small extrapolation, pure methane comes out 1 % low in
    temperature and 2 % high in pressure), CO2 up to 54 and H2S up to 73 mol %. The correlation is applied to
    the hydrocarbon part, the other components are added by Kay's rule, and the acid gases then shift both
    values. Compressibilities built on it agree with measured ones within about 1 to 2 %.

    References
    ----------
    R. P. Sutton, Compressibility factors for high-molecular-weight reservoir gases, SPE 14265 (1985);
    E. Wichert and K. Aziz, Calculate Z's for sour gases, Hydrocarbon Processing 51 (May 1972) 119-122;
    C. H. Whitson and M. R. Brule, Phase Behavior, SPE Monograph 20 (2000), section 3.3 (from memory).

    Examples
    --------
    >>> temperature, pressure = pseudo_critical_sutton(0.65)
    >>> round(temperature * 1.8, 1), round(pressure / 6894.757, 1)  # degR, psia
    (365.1, 670.1)
    """
    gravity = SPECIFIC_GRAVITY.check(specific_gravity)
    y_co2 = CARBON_DIOXIDE.check(carbon_dioxide)
    y_h2s = HYDROGEN_SULFIDE.check(hydrogen_sulfide)
    y_n2 = NITROGEN.check(nitrogen)
    xp = functions_for(gravity, y_co2, y_h2s, y_n2)
    others = y_co2 + y_h2s + y_n2
    hydrocarbon = SPECIFIC_GRAVITY.check(
        (gravity - y_co2 * _CO2[2] - y_h2s * _H2S[2] - y_n2 * _N2[2]) / (1.0 - others)
    )
    temperature = 169.2 + 349.5 * hydrocarbon - 74.0 * hydrocarbon * hydrocarbon
    pressure = 756.8 - 131.0 * hydrocarbon - 3.6 * hydrocarbon * hydrocarbon
    temperature = (1.0 - others) * temperature + y_co2 * _CO2[0] + y_h2s * _H2S[0] + y_n2 * _N2[0]
    pressure = (1.0 - others) * pressure + y_co2 * _CO2[1] + y_h2s * _H2S[1] + y_n2 * _N2[1]
    acid = y_co2 + y_h2s
    root_h2s = xp.sqrt(y_h2s)
    epsilon = 120.0 * (acid**0.9 - acid**1.6) + 15.0 * (root_h2s - y_h2s**4)
    corrected = temperature - epsilon
    pressure = pressure * corrected / (temperature + y_h2s * (1.0 - y_h2s) * epsilon)
    return corrected * RANKINE, pressure * PSI


def pseudo_critical_piper(
    specific_gravity: FloatOrArray,
    *,
    carbon_dioxide: FloatOrArray = 0.0,
    hydrogen_sulfide: FloatOrArray = 0.0,
    nitrogen: FloatOrArray = 0.0,
) -> tuple[FloatOrArray, FloatOrArray]:
    """Estimate pseudo-critical temperature and pressure by Piper, McCain and Corredor.

    Parameters
    ----------
    specific_gravity : float or array
        Molar mass of the whole gas over that of air [-].
    carbon_dioxide, hydrogen_sulfide, nitrogen : float or array
        Mole fractions in the gas [-].

    Returns
    -------
    tuple of float or array
        Pseudo-critical temperature [K] and pressure [Pa].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for gravity 0.57 to 1.68 (0.55 to 0.57 is a small extrapolation), CO2 up to 54, H2S up to 73 and N2
    up to 30 mol %. Acid gases are part of the correlation, so no
    Wichert-Aziz correction is applied. Its authors give 1.3 %
    mean absolute error in z (from memory); against reference equations of state it is 0.1 to 1.3 % worse than
    Sutton's for pipeline gases (tests/published), so ``compressibility`` uses the other.

    References
    ----------
    L. D. Piper, W. D. McCain and J. H. Corredor, Compressibility factors for naturally occurring petroleum
    gases, SPE 26668 (1993), eqs. for J and K (form from memory).

    Examples
    --------
    >>> temperature, pressure = pseudo_critical_piper(0.65)
    >>> round(temperature * 1.8, 1), round(pressure / 6894.757, 1)  # degR, psia
    (356.7, 668.6)
    """
    gravity = SPECIFIC_GRAVITY.check(specific_gravity)
    y_co2 = CARBON_DIOXIDE.check(carbon_dioxide)
    y_h2s = HYDROGEN_SULFIDE.check(hydrogen_sulfide)
    y_n2 = NITROGEN.check(nitrogen)
    j = 0.11582 + 0.70729 * gravity - 0.099397 * gravity * gravity
    k = 3.8216 + 17.438 * gravity - 3.2191 * gravity * gravity
    for (critical_temperature, critical_pressure, _), fraction, alpha, beta in (
        (_H2S, y_h2s, -0.45820, -0.06534),
        (_CO2, y_co2, -0.90348, -0.42113),
        (_N2, y_n2, -0.66026, -0.91249),
    ):
        j = j + alpha * fraction * (critical_temperature / critical_pressure)
        k = k + beta * fraction * (critical_temperature / critical_pressure**0.5)
    temperature = k * k / j
    return temperature * RANKINE, temperature / j * PSI
