"""Fluid properties of the simulated plant, chosen to differ from the ones the daemon calculates with.

A simulator that shared its equations with the daemon would only prove that the daemon agrees with itself.
So the plant's glycol follows a temperature-dependent NRTL fit, while the daemon estimates with another
model, and the plant hides a tray efficiency and an equilibrium bias of its own (``daemon.fieldsim.plant``).
"""

from __future__ import annotations

import math

WATER_MOLAR_MASS = 0.01801528  # kg/mol
TEG_MOLAR_MASS = 0.150173  # kg/mol
STANDARD_MOLAR_VOLUME = 8.314462618 * 288.15 / 101325.0  # m3/mol at 15 degC, 101.325 kPa, ideal gas
GLYCOL_HEAT_CAPACITY = 2600.0  # J/(kg K), TEG near 150 degC (ChemSep 2.6 to 2.9 kJ/kg K from 120 to 200 degC)
LATENT_HEAT = 2.257e6  # J/kg, water at 100 degC

_SATURATION = (
    (-7.85951783, 1.0), (1.84408259, 1.5), (-11.7866497, 3.0),
    (22.6807411, 3.5), (-15.9618719, 4.0), (1.80122502, 7.5),
)  # fmt: skip
_LB_PER_MMSCF = 0.45359237 / (1e6 * 0.3048**3) * (288.7055555555556 / 288.15)  # kg/m3 at 15 degC


def water_vapour_pressure(temperature: float) -> float:
    """Return the vapour pressure of liquid water [Pa] at a temperature [K], 230 to 640 K.

    Wagner and Pruss (1993), auxiliary equation of the saturation line; below 273.15 K for supercooled water.
    """
    tau = 1.0 - temperature / 647.096
    exponent = sum(a * tau**n for a, n in _SATURATION) * 647.096 / temperature
    return 22.064e6 * math.exp(exponent)


def saturated_water_content(temperature: float, pressure: float) -> float:
    """Return the water content [kg per standard m3] of natural gas over liquid water.

    Bukacek (1955), the form of ASTM D1142: ``W = A/P + B``. Temperature [K], absolute pressure [Pa].
    """
    rankine = temperature * 1.8 - 0.07  # the form's own zero, 459.6 below 0 degF
    departure = math.pow(10.0, 6.69449 - 3083.87 / rankine) * _LB_PER_MMSCF
    return (
        WATER_MOLAR_MASS / STANDARD_MOLAR_VOLUME * water_vapour_pressure(temperature) / pressure + departure
    )


def dew_point(water_content: float, pressure: float) -> float:
    """Return the temperature [K] at which gas of this water content [kg per standard m3] is saturated.

    Bisection between 200 and 400 K to 0.1 mK; a content outside is answered with the end of the interval.
    """
    low, high = 200.0, 400.0
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        if saturated_water_content(middle, pressure) < water_content:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def mole_fraction_water(mass_fraction: float) -> float:
    """Return the mole fraction of water in glycol from its mass fraction."""
    water = mass_fraction / WATER_MOLAR_MASS
    return water / (water + (1.0 - mass_fraction) / TEG_MOLAR_MASS)


def activity_coefficients(mole_fraction: float, temperature: float) -> tuple[float, float]:
    """Return the activity coefficients of water and of TEG in their mixture.

    NRTL with ``tau = a + b/T``, alpha 0.3, fitted to the boiling points of Chouireb et al., J. Chem.
    Eng. Data (2018), 10.1021/acs.jced.7b00945, and to handbook anchors at the lean end. Temperature [K],
    270 to 500 K.
    """
    tau12 = 0.511217 + 483.392 / temperature
    tau21 = -1.60363 - 24.8661 / temperature
    g12, g21 = math.exp(-0.3 * tau12), math.exp(-0.3 * tau21)
    x1, x2 = mole_fraction, 1.0 - mole_fraction
    d1, d2 = x1 + x2 * g21, x2 + x1 * g12
    water = x2 * x2 * (tau21 * (g21 / d1) ** 2 + tau12 * g12 / d2**2)
    glycol = x1 * x1 * (tau12 * (g12 / d2) ** 2 + tau21 * g21 / d1**2)
    return math.exp(water), math.exp(glycol)


def teg_vapour_pressure(temperature: float) -> float:
    """Return the vapour pressure of TEG [Pa] at a temperature [K] (ChemSep record; checked 480 to 559 K)."""
    t = temperature
    return math.exp(-148.0973 - 1446.895 / t + 26.95817 * math.log(t) - 2.66538e-5 * t * t)


def bubble_pressure(mass_fraction: float, temperature: float) -> float:
    """Return the pressure [Pa] at which glycol of this water mass fraction boils at a temperature [K]."""
    x = mole_fraction_water(mass_fraction)
    water, glycol = activity_coefficients(x, temperature)
    return x * water * water_vapour_pressure(temperature) + (1.0 - x) * glycol * teg_vapour_pressure(
        temperature
    )


def boiling_mass_fraction(temperature: float, pressure: float, guess: float = 0.015) -> float:
    """Return the water mass fraction of glycol that boils at a temperature [K] and absolute pressure [Pa].

    Glycol with more water loses it; 1.0 below the boiling point of water. Regula falsi on a bracket that
    starts around ``guess``, so that a caller who passes the last answer pays two or three evaluations.
    """
    if temperature < 640.0 and water_vapour_pressure(temperature) <= pressure:
        return 1.0
    low, high = 0.8 * guess, min(1.0, 1.25 * guess + 1e-6)
    residual_low = bubble_pressure(low, temperature) - pressure
    while residual_low > 0.0:
        if low < 1e-7:
            return 0.0  # the glycol itself boils
        low *= 0.5
        residual_low = bubble_pressure(low, temperature) - pressure
    residual_high = bubble_pressure(high, temperature) - pressure
    while residual_high < 0.0:
        if high >= 1.0:
            return 1.0
        high = min(1.0, high * 1.5)
        residual_high = bubble_pressure(high, temperature) - pressure
    for _ in range(60):
        middle = low + (high - low) * residual_low / (residual_low - residual_high)
        residual = bubble_pressure(middle, temperature) - pressure
        if abs(residual) < 1e-4 * pressure:
            return middle
        if residual < 0.0:
            low, residual_low = middle, residual
            residual_high *= 0.5  # Illinois: keep the far end from sticking
        else:
            high, residual_high = middle, residual
            residual_low *= 0.5
    return 0.5 * (low + high)


def glycol_density(temperature: float, mass_fraction: float) -> float:
    """Return the density [kg/m3] of glycol with a mass fraction of water at a temperature [K].

    Fit to 552 ThermoML points, 278 to 476 K, up to 15 wt% water; rms 0.72 kg/m3.
    """
    t, u = temperature - 313.15, mass_fraction
    return 1108.42 - 0.763399 * t - 4.66894e-4 * t * t - 39.2997 * u - 0.0550322 * u * t - 64.5719 * u * u


def absorbed_share(absorption_factor: float, stages: float) -> float:
    """Return the share of the possible absorption that a number of theoretical stages reaches (Kremser).

    ``(A^(N+1) - A)/(A^(N+1) - 1)``; ``N/(N+1)`` at ``A = 1``.
    """
    a = max(0.0, absorption_factor)
    if abs(a - 1.0) < 1e-6:
        return stages / (stages + 1.0)
    if a > 1e6:
        return 1.0
    power = a ** (stages + 1.0)
    return float((power - a) / (power - 1.0))
