"""What the calculation of a whole unit takes and gives: readings, design, uncertainties, estimates, results.

Plain frozen data. Every number is SI: kelvin, pascal absolute, standard m3 at 15 degC and 101.325 kPa. A
field of ``Readings`` is a float for one instant or an array for a stretch of time; NaN says "not available".
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from calc.arrays import FloatOrArray

NaN = math.nan
BitsOrArray: TypeAlias = int | NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Readings:
    """What is measured at one dehydration unit, at one instant or over a stretch of time.

    Fields broadcast against one another. NaN means not available; ``Results.reason`` then says what it cost.
    """

    gas_temperature: FloatOrArray
    """Gas temperature in the contactor [K]."""
    gas_pressure: FloatOrArray
    """Gas pressure in the contactor, absolute [Pa]."""
    gas_rate: FloatOrArray
    """Gas rate [standard m3/s]."""
    reboiler_temperature: FloatOrArray
    """Glycol temperature in the reboiler [K]."""
    stroke_rate: FloatOrArray
    """Pump stroke rate [strokes/s]."""
    lean_glycol_temperature: FloatOrArray = NaN
    """Lean glycol temperature into the contactor [K]; only for the approach to the gas."""
    lean_glycol_rate: FloatOrArray = NaN
    """Measured lean glycol rate [m3/s]; where present it is used instead of the strokes."""
    inlet_water_content: FloatOrArray = NaN
    """Measured in the wet gas [kg per standard m3]; where absent the gas is taken as saturated."""
    outlet_water_content: FloatOrArray = NaN
    """Measured water content of the dry gas [kg per standard m3]; gives the tray efficiency."""
    reboiler_pressure: FloatOrArray = NaN
    """Pressure in the reboiler, absolute [Pa]; where absent barometric plus still back-pressure."""
    stripping_gas_rate: FloatOrArray = NaN
    """Stripping gas rate [standard m3/s]; where absent the design's ratio."""
    lean_mass_fraction: FloatOrArray = NaN
    """TEG in the lean glycol by laboratory [kg/kg]; where present used instead of the reboiler."""


INPUTS: tuple[str, ...] = tuple(f.name for f in dataclasses.fields(Readings))
"""Names of the readings; the position is the bit in ``Results.missing`` and its like."""


@dataclass(frozen=True, slots=True)
class Design:
    """What is known of a dehydration unit beforehand: gas, contactor, reboiler, pump and pipeline limit.

    Exactly one of ``limit_water_content`` and ``limit_dew_point`` is given; a dew point needs
    ``limit_pressure``.
    """

    specific_gravity: float
    """Of the gas, relative to air [-]."""
    theoretical_stages: float
    """Equilibrium stages of the contactor [-]: trays times tray efficiency."""
    pump_displacement: float
    """Glycol volume a stroke before efficiency [m3]."""
    barometric_pressure: float
    """At the reboiler [Pa]."""
    limit_water_content: float | None = None
    """Pipeline limit [kg per standard m3]."""
    limit_dew_point: float | None = None
    """Pipeline limit as a water dew point [K] at ``limit_pressure``."""
    limit_pressure: float | None = None
    """Pressure at which dew points of limit and outlet are stated [Pa]; ``None``: the contactor's."""
    trays: int | None = None
    """Number of actual trays [-]; needed to infer a tray efficiency."""
    carbon_dioxide: float = 0.0
    """Mole fraction in the gas [-]."""
    hydrogen_sulfide: float = 0.0
    """Mole fraction in the gas [-]."""
    nitrogen: float = 0.0
    """Mole fraction in the gas [-]."""
    still_back_pressure: float = 0.0
    """Pressure in the reboiler above the barometric one [Pa]."""
    stripping_gas_ratio: float = 0.0
    """Stripping gas per lean glycol [standard m3/m3] where its rate is not measured."""
    stripping_stages: float = 0.0
    """Equilibrium stages of a stripping column below the reboiler [-]; 0: gas into the reboiler."""
    volumetric_efficiency: float = 0.95
    """Delivered over displaced volume of the pump [-]."""
    lean_water_factor: float = 1.0
    """Water in the lean glycol by past laboratory samples over that calculated [-].

    A factor and no difference: an activity model, a thermometer or a back-pressure that is a little off
    shifts the water by about the same share at any reboiler temperature, and no factor makes glycol that is
    purer than pure."""
    lean_water_factor_uncertainty: float | None = None
    """Its standard uncertainty, relative [-]; where given it takes the place of the reboiler model's."""


@dataclass(frozen=True, slots=True)
class Uncertainties:
    """Standard uncertainties (one standard deviation) of the readings and of the models.

    The defaults of the readings are those of transmitters in fair order (common practice, no source); those
    of the models come from the spread of published methods and data (``tests/published/README.md``).
    """

    gas_temperature: float = 0.8
    """[K]"""
    gas_pressure: float = 0.005
    """Relative [-]."""
    gas_rate: float = 0.02
    """Relative [-]."""
    reboiler_temperature: float = 1.5
    """[K]; element and the spread of temperature within the bath."""
    reboiler_pressure: float = 1500.0
    """[Pa]; weather, and the back-pressure of the still where it is not measured."""
    circulation_rate: float = 0.05
    """Relative [-]; wear of the pump, or the glycol meter."""
    inlet_water_content: float = 0.05
    """Relative [-]; of a measured content."""
    outlet_water_content: float = 0.05
    """Relative [-]; of a measured content."""
    stripping_gas_ratio: float = 0.10
    """Relative [-]."""
    laboratory_mass_fraction: float = 0.0002
    """Absolute [kg/kg]; water that a sample takes up on its way (common practice, no source)."""
    laboratory_water: float = 0.07
    """Of the water in the sample, relative [-]; Karl Fischer titration (common practice, no source)."""
    theoretical_stages: float = 0.15
    """Relative [-]; tray efficiencies of 25 to 33 % are published for the same trays."""
    water_content_model: float = 0.04
    """Relative [-]; spread of methods for the saturated water content, 3 to 12 % (``calc.water_methods``)."""
    dew_point_model: float = 0.04
    """Relative, in content [-]; the same spread where a content is turned into a dew point, or back."""
    compressibility_model: float = 0.01
    """Relative [-]; a gravity cannot know the composition."""
    hydrate_model: float = 2.8
    """[K]; spread of published gravity methods."""
    reboiler_duty_model: float = 0.10
    """Relative [-]; reflux and losses are rules of thumb."""
    activity: float = 0.10
    """Of ln gamma of water [-]; the part of the glycol model's error that contactor and reboiler share."""
    activity_contactor: float = 0.12
    """Of ln gamma of water [-]; the part that belongs to the contactor's temperature."""
    activity_reboiler: float = 0.08
    """Of ln gamma of water [-]; the part that belongs to the reboiler's temperature."""


SOURCES: tuple[str, ...] = tuple(f.name for f in dataclasses.fields(Uncertainties))
"""Names of the independent sources of uncertainty, in order."""


class Estimate(NamedTuple):
    """A calculated value and its standard uncertainty (one standard deviation), both in the value's SI unit.

    NaN where it cannot be calculated; ``Results.reason`` says why.
    """

    value: FloatOrArray
    uncertainty: FloatOrArray


@dataclass(frozen=True, slots=True)
class Results:
    """All that one evaluation of a unit gives; ``Estimate`` fields bear names of ``config.quantities``."""

    circulation_rate: Estimate
    """Lean glycol circulation rate [m3/s]."""
    compressibility: Estimate
    """Compressibility factor of the gas in the contactor [-]."""
    saturated_water_content: Estimate
    """Of saturated gas in the contactor [kg per standard m3]."""
    inlet_water_content: Estimate
    """Measured, or saturated where it is not measured [kg per standard m3]."""
    water_load: Estimate
    """Water in the wet gas [kg/s]."""
    water_removed: Estimate
    """Water taken up by the glycol [kg/s]."""
    circulation_ratio: Estimate
    """Lean glycol per water removed [m3/kg]."""
    lean_mass_fraction: Estimate
    """TEG in the lean glycol [kg/kg]."""
    rich_mass_fraction: Estimate
    """TEG in the rich glycol [kg/kg]."""
    equilibrium_dew_point: Estimate
    """Dew point, at the limit's pressure, of gas in equilibrium with the lean glycol: no outlet is drier [K].

    Liquid basis. Charts and ``calc.equilibrium.dew_point_over_glycol`` are for low pressure and read 1 to
    4 K higher: compressed gas holds more water than its vapour pressure says, and the more so the colder.
    """
    outlet_water_content: Estimate
    """Calculated water content of the dry gas [kg per standard m3]."""
    outlet_dew_point: Estimate
    """Water dew point of the dry gas at the limit's pressure [K]."""
    limit_dew_point: Estimate
    """The pipeline limit as a dew point at its pressure [K]."""
    dew_point_margin: Estimate
    """Limit less outlet dew point [K]; negative: wetter than the limit."""
    water_content_margin: Estimate
    """Limit less outlet water content [kg per standard m3]."""
    probability_over_limit: Estimate
    """Probability that the outlet is wetter than the limit [-]; carries no uncertainty of its own (NaN)."""
    required_circulation_rate: Estimate
    """Circulation rate that would just meet the limit [m3/s]."""
    required_stroke_rate: Estimate
    """Stroke rate that would just meet the limit [strokes/s]."""
    hydrate_temperature: Estimate
    """Hydrate temperature of the gas at contactor pressure [K]."""
    inferred_tray_efficiency: Estimate
    """Stages per tray that explain the measured outlet [-]; needs ``Design.trays``."""
    inferred_stages: Estimate
    """Equilibrium stages that explain the measured outlet [-]."""
    lean_approach_temperature: Estimate
    """Lean glycol less gas temperature in the contactor [K]."""
    reboiler_duty: Estimate
    """Heat into the glycol in the reboiler, rich glycol preheated as in ``calc.reboiler`` [W]."""
    missing: BitsOrArray
    """Bit i is set where reading ``INPUTS[i]`` is absent."""
    out_of_range: BitsOrArray
    """Bit i is set where reading ``INPUTS[i]`` is outside what can be used; it counts as absent."""
    extrapolated: BitsOrArray
    """Bit i is set where reading ``INPUTS[i]`` is usable but outside the range of checked data."""
    margin_variances: Mapping[str, FloatOrArray] = field(default_factory=dict)
    """Part of the variance of the dew-point margin that each source in ``SOURCES`` contributes [K2]."""


ESTIMATES: tuple[str, ...] = tuple(f.name for f in dataclasses.fields(Results) if f.type == "Estimate")
"""Names of the estimates in ``Results``, in order."""
