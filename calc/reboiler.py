"""Heat of the reboiler: duty by parts, load of the firetube, fuel; and what heat does to glycol."""

from __future__ import annotations

import math
from typing import NamedTuple

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import BTU, DAY, FOOT, HOUR, WATER_HEAT_OF_VAPORIZATION, ZERO_CELSIUS
from calc.glycol import heat_capacity

RATE = ValidRange("rate", 0.0, 1e6, "kg/s")
TEMPERATURE = ValidRange("temperature", 273.15, 600.0, "K")
AREA = ValidRange("area", 1e-6, 1e4, "m2")
HEATING_VALUE = ValidRange("heating_value", 1e6, 1.5e8, "J per standard m3")
EFFICIENCY = ValidRange("efficiency", 0.05, 1.0)

TYPICAL_RICH_TEMPERATURE = 422.0
"""Rich glycol into the still column after its heat exchange, 300 degF [K]; common practice, no source."""
TYPICAL_REFLUX = 0.25
"""Reflux over water boiled off [-]; 25 to 50 % (public reboiler sizing note)."""
TYPICAL_LOSS = 10_000.0 * BTU / HOUR
"""Heat lost by the shell [W]; 5 000 to 20 000 Btu/h (public reboiler sizing note)."""

DEGRADATION_TEMPERATURE = ZERO_CELSIUS + 206.7
"""Where TEG begins to break down noticeably, 404 degF [K]; handbooks, from memory."""
RECOMMENDED_MAXIMUM_TEMPERATURE = ZERO_CELSIUS + 204.44
"""Recommended maximum bulk temperature, 400 degF [K]; N. P. Lieberman as quoted on public pages."""
RECOMMENDED_FLUX = (6000.0 * BTU / HOUR / FOOT**2, 8000.0 * BTU / HOUR / FOOT**2)
"""Usual heat flux of a firetube [W/m2]; handbooks, from memory."""
ACTIVATION_TEMPERATURE = 15_000.0
"""Activation energy of thermal breakdown over the gas constant [K]: the rate doubles by 10 K at 204 degC.

The rule of thumb of doubling by 10 K is common practice without a source for TEG; local oil analysis rules.
"""
CHANGE_INTERVAL = (18.0 / 12.0 * 365.25 * DAY, 24.0 / 12.0 * 365.25 * DAY)
"""Usual time between glycol changes [s]: 18 to 24 months, common practice, no source."""


class ReboilerDuty(NamedTuple):
    """Heat that a reboiler must bring, by parts [W]."""

    sensible: FloatOrArray
    """Heats the rich glycol, its water included, to reboiler temperature [W]."""
    latent: FloatOrArray
    """Boils off the water [W]."""
    reflux: FloatOrArray
    """Boils the reflux again [W]."""
    losses: FloatOrArray
    """Leaves by the shell [W]."""

    @property
    def total(self) -> FloatOrArray:
        """Sum of the parts [W]."""
        return self.sensible + self.latent + self.reflux + self.losses


def reboiler_duty(
    glycol_mass_rate: FloatOrArray,
    water_boiled_off: FloatOrArray,
    reboiler_temperature: FloatOrArray,
    rich_temperature: FloatOrArray = TYPICAL_RICH_TEMPERATURE,
    *,
    reflux: FloatOrArray = TYPICAL_REFLUX,
    losses: FloatOrArray = TYPICAL_LOSS,
    teg_mass_fraction: FloatOrArray = 0.99,
) -> ReboilerDuty:
    """Calculate the heat duty of a reboiler by parts.

    Parameters
    ----------
    glycol_mass_rate : float or array
        Lean glycol rate [kg/s].
    water_boiled_off : float or array
        Water that the still column drives off [kg/s].
    reboiler_temperature : float or array
        Glycol temperature in the reboiler [K].
    rich_temperature : float or array
        Rich glycol temperature into the still column [K]; the default is 300 degF.
    reflux : float or array
        Reflux over water boiled off [-].
    losses : float or array
        Heat lost by the shell [W].
    teg_mass_fraction : float or array
        TEG in the lean glycol [kg/kg].

    Returns
    -------
    ReboilerDuty
        The parts and their total [W].

    Raises
    ------
    OutOfRangeError
        A scalar rate below 0 or a temperature outside 274 to 490 K; an element of an array becomes NaN.

    Notes
    -----
    Valid for atmospheric reboilers; about 10 %, more where reflux and losses are not known. The steam is
    taken at its heat of vaporization at 100 degC, as the source does; its superheat is lost in the 10 %.

    References
    ----------
    ``Qt = Ql + Qw + Qr + Qh`` of a public reboiler sizing note; at reflux 25 % it reproduces the duty table
    of K. Arnold and M. Stewart, Surface Production Operations, vol. 2, ch. 8 (from memory) within 2 Btu/gal.

    Examples
    --------
    >>> duty = reboiler_duty(0.1203, 4.357e-3, 477.594, 422.039)  # 103.75 gal/h of 9.2 lb/gal, 34.58 lb/h
    >>> duty.latent / 0.293071  # Btu/h; 33 556 by hand
    33554.
    """
    mass = RATE.check(glycol_mass_rate)
    water = RATE.check(water_boiled_off)
    mean = 0.5 * (reboiler_temperature + rich_temperature)
    sensible = mass * heat_capacity(mean, teg_mass_fraction) * (reboiler_temperature - rich_temperature)
    latent = water * WATER_HEAT_OF_VAPORIZATION
    return ReboilerDuty(sensible, latent, reflux * latent, losses + 0.0 * latent)


def firetube_flux(duty: FloatOrArray, firetube_area: FloatOrArray) -> FloatOrArray:
    """Calculate the mean heat flux through a firetube.

    Parameters
    ----------
    duty : float or array
        Heat into the glycol [W].
    firetube_area : float or array
        Outer area of the firetube that the glycol wets [m2].

    Returns
    -------
    float or array
        Mean heat flux [W/m2].

    Raises
    ------
    OutOfRangeError
        A scalar area outside 1e-6 to 1e4 m2; an element of an array becomes NaN.

    Notes
    -----
    Valid for any firetube; exact as a mean. Near the burner the flux is two to three times as high (common
    practice, no source), so a mean above 25 kW/m2 (8000 Btu/h ft2) means skin where glycol breaks down.

    References
    ----------
    Definition.

    Examples
    --------
    >>> firetube_flux(34e3, 1.5)
    22667.
    """
    return duty / AREA.check(firetube_area)


def fuel_rate(
    duty: FloatOrArray, heating_value: FloatOrArray, efficiency: FloatOrArray = 0.7
) -> FloatOrArray:
    """Calculate the fuel gas that a burner needs for a duty.

    Parameters
    ----------
    duty : float or array
        Heat into the glycol [W].
    heating_value : float or array
        Lower heating value of the fuel gas [J per standard m3].
    efficiency : float or array
        Heat into the glycol over heat of the fuel [-]; 0.7 is usual for natural draught (common practice).

    Returns
    -------
    float or array
        Fuel gas rate [standard m3/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside 1 to 150 MJ/m3 or 0.05 to 1; an element of an array becomes NaN.

    Notes
    -----
    Valid for any gas fuel; as accurate as the efficiency, which a dirty firetube or too much air lowers.

    References
    ----------
    Heat balance of the burner.

    Examples
    --------
    >>> fuel_rate(34e3, 34e6, 0.7) * 3600  # methane: 34 MJ/m3; standard m3/h
    5.143
    """
    return duty / (HEATING_VALUE.check(heating_value) * EFFICIENCY.check(efficiency))


class ThermalExposure(NamedTuple):
    """What heat has done to a glycol filling so far; a value that only grows, kept from scan to scan."""

    time: float = 0.0
    """Time in service [s]."""
    time_above_recommended: float = 0.0
    """Time above the recommended maximum temperature [s]."""
    time_above_degradation: float = 0.0
    """Time above the temperature at which TEG breaks down [s]."""
    equivalent_time: float = 0.0
    """Time at the recommended maximum that would have done the same [s]."""

    @property
    def used_interval(self) -> float:
        """Part of the longer usual change interval that is used up, by clock or by heat, the worse [-]."""
        return max(self.time, self.equivalent_time) / CHANGE_INTERVAL[1]


def breakdown_rate(temperature: FloatOrArray) -> FloatOrArray:
    """Rate of thermal breakdown of TEG relative to that at the recommended maximum temperature.

    Parameters
    ----------
    temperature : float or array
        Glycol temperature [K].

    Returns
    -------
    float or array
        Relative rate [-]; 1 at 204.4 degC.

    Raises
    ------
    OutOfRangeError
        A scalar outside 273.15 to 600 K; an element of an array becomes NaN.

    Notes
    -----
    Valid near 204 degC as a comparison between units and months, not as a prediction: the activation energy
    stands for a doubling by 10 K, common practice without a source for TEG. Oxygen, acid and salt do as much.

    References
    ----------
    S. Arrhenius, Z. Phys. Chem. 4 (1889) 226, with the rule of doubling by 10 K.

    Examples
    --------
    >>> breakdown_rate(477.59 + 10.0)
    1.905
    """
    t = TEMPERATURE.check(temperature)
    inverse_difference = 1.0 / RECOMMENDED_MAXIMUM_TEMPERATURE - 1.0 / t
    return functions_for(t).exp(ACTIVATION_TEMPERATURE * inverse_difference)


def expose(exposure: ThermalExposure, temperature: float, duration: float) -> ThermalExposure:
    """Add a stretch of time at one reboiler temperature to a filling's thermal exposure.

    Parameters
    ----------
    exposure : ThermalExposure
        Exposure so far [s].
    temperature : float
        Glycol temperature in the reboiler [K]; NaN adds to the time in service only.
    duration : float
        Length of the stretch [s].

    Returns
    -------
    ThermalExposure
        Exposure with the stretch added [s].

    Raises
    ------
    OutOfRangeError
        A temperature outside 273.15 to 600 K.
    ValueError
        A duration below 0.

    Notes
    -----
    Valid for stretches over which the temperature hardly changes: a scan, a minute. Bulk temperature,
    where the skin of the firetube does the harm, so a fouled tube is not seen here. Accurate as
    ``breakdown_rate``.

    References
    ----------
    As ``breakdown_rate``.

    Examples
    --------
    >>> expose(ThermalExposure(), 477.59, 3600.0).equivalent_time
    3600.
    """
    if not duration >= 0.0:
        raise ValueError(f"duration = {duration:g} s is below 0: time only adds up")
    if math.isnan(temperature):
        return exposure._replace(time=exposure.time + duration)
    return ThermalExposure(
        exposure.time + duration,
        exposure.time_above_recommended + duration * (temperature > RECOMMENDED_MAXIMUM_TEMPERATURE),
        exposure.time_above_degradation + duration * (temperature > DEGRADATION_TEMPERATURE),
        exposure.equivalent_time + duration * float(breakdown_rate(temperature)),
    )
