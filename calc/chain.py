"""The chain of one unit's calculation: from checked readings to every result with its uncertainty.

Each step gives a value and its *effects* (``calc.uncertainty``), so that uncertainty costs a few
multiplications instead of a second calculation for each source. The same lines serve one set of readings and
a block of rows. NaN runs through: a result that needs an absent reading is absent.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

from calc.absorber import moles_per_mass
from calc.activity import activity_logarithms
from calc.arrays import FloatOrArray, functions_for
from calc.constants import STANDARD_MOLAR_VOLUME, TEG_MOLAR_MASS, WATER_MOLAR_MASS, WATER_STANDARD_DENSITY
from calc.errors import CalcError
from calc.gas import compressibility
from calc.glycol import density
from calc.hydrate import hydrate_temperature, hydrate_uncertainty
from calc.kremser import log_absorption_factor_for, log_removal_ratio
from calc.readings import Design, Estimate, Readings, Uncertainties
from calc.reboiler import reboiler_duty
from calc.regeneration import lean_water
from calc.uncertainty import Absolute, Effects, Relative, combine, probability_below_zero
from calc.water import DEW_POINT, log_water_content
from calc.water_methods import acid_gas_uncertainty

_LITTLE = 1e-30  # rate that stands for none, so that its logarithm exists
_PUREST = 0.99999  # no reboiler makes it purer: a wrong reading or a wrong sample
_NEAR_ONE = 1e-6  # |ln A| below which Kremser's closed form loses digits


def _or_absent(function: Callable[..., FloatOrArray], *arguments: FloatOrArray) -> FloatOrArray:
    """Let a scalar out of range be absent (NaN), as the same element of an array is.

    ``calc.unit.reason`` names the reading that is to blame, so nothing is lost with the error's text.
    """
    try:
        return function(*arguments)
    except CalcError:
        return math.nan


def _mixture_molar_mass(x: FloatOrArray) -> FloatOrArray:
    """Molar mass of glycol with a mole fraction of water [kg/mol]."""
    return TEG_MOLAR_MASS + (WATER_MOLAR_MASS - TEG_MOLAR_MASS) * x


class Chain:
    """One pass over one set of readings, or over one block of rows.

    Parameters
    ----------
    readings : Readings
        Floats, or arrays of one length; what is out of range must be NaN already [SI].
    design : Design
        A checked design [SI].
    sd : Uncertainties
        One standard deviation of each source [SI or relative].

    Attributes
    ----------
    estimates : dict
        Every estimate of ``Results`` by name.
    margin : Absolute
        The dew-point margin with what each source does to it [K].
    """

    def __init__(self, readings: Readings, design: Design, sd: Uncertainties) -> None:
        self.readings, self.design, self.sd = readings, design, sd
        self.xp = functions_for(*(getattr(readings, name) for name in readings.__slots__))
        self.estimates: dict[str, Estimate] = {}
        self._gas()
        self._circulation_and_inlet()
        self._lean_glycol()
        self._equilibrium()
        self._contactor()
        self._water_balance()
        self._limit()
        self._needed_glycol()
        self._inferred_stages()

    def _measured_or(self, measured: FloatOrArray, otherwise: FloatOrArray) -> FloatOrArray:
        return self.xp.where(self.xp.isnan(measured), otherwise, measured)

    def _gas(self) -> None:
        """Compressibility, saturated water content, hydrate; approach of the lean glycol beside them."""
        design, sd, r = self.design, self.sd, self.readings

        def z_of(temperature: FloatOrArray, pressure: FloatOrArray) -> FloatOrArray:
            return compressibility(
                temperature,
                pressure,
                design.specific_gravity,
                carbon_dioxide=design.carbon_dioxide,
                hydrogen_sulfide=design.hydrogen_sulfide,
                nitrogen=design.nitrogen,
            )

        z = Relative(
            _or_absent(z_of, r.gas_temperature, r.gas_pressure),
            {"compressibility_model": sd.compressibility_model},
        )
        hydrate = Absolute(
            _or_absent(hydrate_temperature, r.gas_pressure, design.specific_gravity),
            {"hydrate_model": math.hypot(sd.hydrate_model, hydrate_uncertainty(design.hydrogen_sulfide))},
        )
        approach = Absolute(
            r.lean_glycol_temperature - r.gas_temperature,
            {"gas_temperature": sd.gas_temperature, "lean_glycol_temperature": sd.gas_temperature},
        )
        self.inverse = 1.0 / r.gas_temperature
        self.warming: FloatOrArray = -self.inverse * self.inverse * sd.gas_temperature  # effect on 1/T
        self.log_saturated, by_inverse, by_log_pressure = log_water_content(self.inverse, r.gas_pressure)
        sour = acid_gas_uncertainty(design.carbon_dioxide, design.hydrogen_sulfide)
        self.saturated = Relative(
            self.xp.exp(self.log_saturated),
            {
                "gas_temperature": by_inverse * self.warming,
                "gas_pressure": by_log_pressure * sd.gas_pressure,
                "water_content_model": math.hypot(sd.water_content_model, sour),
            },
        )
        self.rate = Relative(r.gas_rate, {"gas_rate": sd.gas_rate})
        self.estimates["compressibility"] = z.estimate
        self.estimates["hydrate_temperature"] = hydrate.estimate
        self.estimates["lean_approach_temperature"] = approach.estimate
        self.estimates["saturated_water_content"] = self.saturated.estimate

    def _circulation_and_inlet(self) -> None:
        """Glycol by meter or by strokes; water in the wet gas as measured or as saturated."""
        design, sd, r, xp = self.design, self.sd, self.readings, self.xp
        pumped = r.stroke_rate * (design.pump_displacement * design.volumetric_efficiency)
        self.circulation = Relative(
            self._measured_or(r.lean_glycol_rate, pumped), {"circulation_rate": sd.circulation_rate}
        )
        assumed = xp.where(xp.isnan(r.inlet_water_content), 1.0, 0.0)
        self.inlet = Relative(
            self._measured_or(r.inlet_water_content, self.saturated.value),
            combine(
                (assumed, self.saturated.effects),
                (1.0 - assumed, {"inlet_water_content": sd.inlet_water_content}),
            ),
        )
        self.load = Relative(
            self.inlet.value * self.rate.value,
            combine((1.0, self.inlet.effects), (1.0, self.rate.effects)),
        )
        self.estimates["circulation_rate"] = self.circulation.estimate
        self.estimates["inlet_water_content"] = self.inlet.estimate
        self.estimates["water_load"] = self.load.estimate

    def _lean_glycol(self) -> None:
        """Purity by laboratory, or by the reboiler with the factor that past samples showed."""
        design, sd, r, xp = self.design, self.sd, self.readings, self.xp
        pressure = self._measured_or(
            r.reboiler_pressure, design.barometric_pressure + design.still_back_pressure
        )
        stripping: FloatOrArray = 0.0
        boiled_off: FloatOrArray = 1.0  # without stripping gas it does not matter
        if design.stripping_gas_ratio > 0.0 or not _absent(r.stripping_gas_rate):
            flowing = xp.where(self.circulation.value > 0.0, self.circulation.value, math.nan)
            stripping = self._measured_or(r.stripping_gas_rate / flowing, design.stripping_gas_ratio)
            boiled_off = xp.where(stripping > 0.0, self.load.value / flowing, 1.0)
        lean = lean_water(r.reboiler_temperature, pressure, stripping, boiled_off, design.stripping_stages)
        x = lean.water_mole_fraction
        log_effects: Effects = {
            "reboiler_temperature": lean.log_by_temperature * sd.reboiler_temperature,
            "reboiler_pressure": lean.log_by_log_pressure * (sd.reboiler_pressure / pressure),
            "stripping_gas_ratio": lean.log_by_log_stripping * sd.stripping_gas_ratio,
        }
        factor = design.lean_water_factor
        if design.lean_water_factor_uncertainty is None:
            log_effects["activity"] = lean.log_by_log_activity * sd.activity
            log_effects["activity_reboiler"] = lean.log_by_log_activity * sd.activity_reboiler
        molar_mass = _mixture_molar_mass(x)
        by_log_x = -factor * x * (TEG_MOLAR_MASS * WATER_MOLAR_MASS) / (molar_mass * molar_mass)
        value = (1.0 - x) * TEG_MOLAR_MASS / molar_mass
        if factor != 1.0:
            value = 1.0 - factor * (1.0 - value)
        effects = combine((by_log_x, log_effects))
        if design.lean_water_factor_uncertainty is not None:
            own: Effects = {"laboratory_water": design.lean_water_factor_uncertainty}
            effects = combine((1.0, effects), (value - 1.0, own))
        if not _absent(r.lean_mass_fraction):
            unsampled = xp.isnan(r.lean_mass_fraction)
            effects = {source: xp.where(unsampled, effect, 0.0) for source, effect in effects.items()}
            water = xp.where(unsampled, 0.0, 1.0 - r.lean_mass_fraction)
            absolute: Effects = {"laboratory_mass_fraction": sd.laboratory_mass_fraction}
            sampled = xp.where(unsampled, 0.0, 1.0), absolute
            effects = combine((1.0, effects), sampled, (water, {"laboratory_water": sd.laboratory_water}))
            value = self._measured_or(r.lean_mass_fraction, value)
        self.purity = Absolute(xp.where(value <= _PUREST, value, math.nan), effects)
        self.estimates["lean_mass_fraction"] = self.purity.estimate

    def _equilibrium(self) -> None:
        """Activity of the water in the lean glycol, and the driest gas there can be over it."""
        sd, xp = self.sd, self.xp
        by_mass = (1.0 - self.purity.value) / WATER_MOLAR_MASS
        x = by_mass / (by_mass + self.purity.value / TEG_MOLAR_MASS)
        molar_mass = _mixture_molar_mass(x)
        x_slope = -molar_mass * molar_mass / (TEG_MOLAR_MASS * WATER_MOLAR_MASS)  # dx/dw
        log_gamma, _, gamma_slope = activity_logarithms(x)
        model: Effects = {"activity": sd.activity, "activity_contactor": sd.activity_contactor}
        self.log_gamma = log_gamma
        self.gamma_effects = combine((gamma_slope * x_slope, self.purity.effects), (1.0, model))
        log_activity = xp.log(x) + log_gamma
        activity_effects = combine(((gamma_slope + 1.0 / x) * x_slope, self.purity.effects), (1.0, model))

        self.driest = Relative(
            self.saturated.value * xp.exp(log_activity),
            combine((1.0, self.saturated.effects), (1.0, activity_effects)),
        )

    def _contactor(self) -> None:
        """Outlet by Kremser; the glycol's density is taken at gas temperature, its own error left out."""
        xp, stages, purity = self.xp, self.design.theoretical_stages, self.purity
        self.glycol_density = _or_absent(density, self.readings.gas_temperature, purity.value)
        lean_moles = moles_per_mass(purity.value)
        flowing = xp.where(self.rate.value > 0.0, self.rate.value, math.nan)
        per_volume = self.glycol_density * lean_moles * (WATER_STANDARD_DENSITY * STANDARD_MOLAR_VOLUME)
        self.log_per_glycol = xp.log(per_volume / flowing) - self.log_gamma - self.log_saturated
        by_purity = (1.0 / TEG_MOLAR_MASS - 1.0 / WATER_MOLAR_MASS) / lean_moles
        self.per_glycol_effects = combine(
            (-1.0, self.rate.effects),
            (by_purity, purity.effects),
            (-1.0, self.gamma_effects),
            (-1.0, self.saturated.effects),
        )
        self.log_factor = xp.log(xp.maximum(self.circulation.value, _LITTLE)) + self.log_per_glycol
        self.factor_effects = combine((1.0, self.circulation.effects), (1.0, self.per_glycol_effects))
        self.stage_effects: Effects = {"theoretical_stages": stages * self.sd.theoretical_stages}

        log_ratio, by_factor, by_stages = log_removal_ratio(self.log_factor, stages)
        ratio = xp.exp(log_ratio)
        share = 1.0 / (1.0 + ratio)
        outlet = (self.inlet.value + ratio * self.driest.value) * share
        by_log_ratio = share * ratio * (self.driest.value - outlet)
        self.outlet = Absolute(
            outlet,
            combine(
                (share * self.inlet.value, self.inlet.effects),
                (share * ratio * self.driest.value, self.driest.effects),
                (by_log_ratio * by_factor, self.factor_effects),
                (by_log_ratio * by_stages, self.stage_effects),
            ),
        )
        self.estimates["outlet_water_content"] = self.outlet.estimate

    def _water_balance(self) -> None:
        """Water removed, circulation ratio, rich glycol, heat to boil the water off again."""
        sd, xp, gas, purity = self.sd, self.xp, self.rate.value, self.purity
        removed = gas * (self.inlet.value - self.outlet.value)
        removal = Absolute(
            removed,
            combine(
                (gas * self.inlet.value, self.inlet.effects),
                (-gas, self.outlet.effects),
                (removed, self.rate.effects),
            ),
        )
        drying = xp.where(removed > 0.0, removed, math.nan)
        ratio = Relative(
            self.circulation.value / drying,
            combine((1.0, self.circulation.effects), (-1.0 / drying, removal.effects)),
        )
        lean_mass = self.circulation.value * self.glycol_density
        rich_mass = xp.where(lean_mass + removed > 0.0, lean_mass + removed, math.nan)
        rich = Absolute(
            lean_mass * purity.value / rich_mass,
            combine(
                (lean_mass / rich_mass, purity.effects),
                (lean_mass * purity.value * removed / (rich_mass * rich_mass), self.circulation.effects),
                (-lean_mass * purity.value / (rich_mass * rich_mass), removal.effects),
            ),
        )
        duty = Relative(
            _or_absent(_total_duty, lean_mass, removed, self.readings.reboiler_temperature),
            {"reboiler_duty_model": sd.reboiler_duty_model, "circulation_rate": sd.circulation_rate},
        )
        self.estimates["water_removed"] = removal.estimate
        self.estimates["circulation_ratio"] = ratio.estimate
        self.estimates["rich_mass_fraction"] = rich.estimate
        self.estimates["reboiler_duty"] = duty.estimate

    def _dew_point(self, content: FloatOrArray, log_effects: Effects) -> Absolute:
        """Dew point of a content at the pressure at which dew points are stated."""
        if isinstance(content, float) and isinstance(self.stated, float):
            point, by_inverse, by_log_pressure = _constant_dew_point(content, self.stated)
        else:
            point, by_inverse, by_log_pressure = _solved_dew_point(content, self.stated)
        by_log_content = -point * point / by_inverse
        return Absolute(
            point,
            combine(
                (by_log_content, log_effects),
                (-by_log_content * by_log_pressure, self.stated_effects),
                (-by_log_content, self.conversion),
            ),
        )

    def _limit(self) -> None:
        """Outlet against the pipeline limit, as dew points and as contents."""
        design, sd, xp, outlet = self.design, self.sd, self.xp, self.outlet
        at_contactor = design.limit_pressure is None
        self.stated = self.readings.gas_pressure if design.limit_pressure is None else design.limit_pressure
        self.stated_effects: Effects = {"gas_pressure": sd.gas_pressure} if at_contactor else {}
        self.conversion: Effects = {"dew_point_model": sd.dew_point_model}
        outlet_point = self._dew_point(outlet.value, combine((1.0 / outlet.value, outlet.effects)))
        if design.limit_dew_point is None:
            content = math.nan if design.limit_water_content is None else design.limit_water_content
            self.limit = Relative(content, {})
            limit_point = self._dew_point(content, {})
        else:
            limit_point = Absolute(design.limit_dew_point, {})
            log_content, _, by_log_pressure = log_water_content(1.0 / design.limit_dew_point, self.stated)
            self.limit = Relative(
                functions_for(log_content).exp(log_content),
                combine((by_log_pressure, self.stated_effects), (1.0, self.conversion)),
            )
        self.margin = Absolute(
            limit_point.value - outlet_point.value,
            combine((1.0, limit_point.effects), (-1.0, outlet_point.effects)),
        )
        content_margin = Absolute(
            self.limit.value - outlet.value,
            combine((self.limit.value, self.limit.effects), (-1.0, outlet.effects)),
        )
        margin = self.margin.estimate
        spread = xp.where(margin.uncertainty > 0.0, margin.uncertainty, math.nan)
        self.estimates["equilibrium_dew_point"] = self._dew_point(*self.driest).estimate
        self.estimates["outlet_dew_point"] = outlet_point.estimate
        self.estimates["limit_dew_point"] = limit_point.estimate
        self.estimates["dew_point_margin"] = margin
        self.estimates["water_content_margin"] = content_margin.estimate
        self.estimates["probability_over_limit"] = Estimate(
            probability_below_zero(margin.value, spread), math.nan
        )

    def _needed_glycol(self) -> None:
        """Circulation and strokes that would just meet the limit; none where the wet gas meets it already."""
        xp, stages = self.xp, self.design.theoretical_stages
        inlet, limit, driest = self.inlet.value, self.limit.value, self.driest.value
        above = xp.where(inlet > limit, inlet - limit, math.nan)
        room = xp.where(limit > driest, limit - driest, math.nan)
        log_factor = log_absorption_factor_for(xp.log(above / room), stages)
        _, by_factor, by_stages = log_removal_ratio(log_factor, stages)
        effects = combine(
            (inlet / above / by_factor, self.inlet.effects),
            (-(limit / above + limit / room) / by_factor, self.limit.effects),
            (driest / room / by_factor, self.driest.effects),
            (-by_stages / by_factor, self.stage_effects),
            (-1.0, self.per_glycol_effects),
        )
        met = (inlet <= limit) & (limit > driest)
        needed = Relative(
            xp.where(met, 0.0, xp.exp(log_factor - self.log_per_glycol)),
            {source: xp.where(met, 0.0, effect) for source, effect in effects.items()},
        )
        per_stroke = self.design.pump_displacement * self.design.volumetric_efficiency
        strokes = Relative(
            needed.value / per_stroke,
            combine((1.0, needed.effects), (xp.where(met, 0.0, -1.0), self.circulation.effects)),
        )
        self.estimates["required_circulation_rate"] = needed.estimate
        self.estimates["required_stroke_rate"] = strokes.estimate

    def _inferred_stages(self) -> None:
        """Stages that explain a measured outlet: Kremser solved for them."""
        xp, measured = self.xp, self.readings.outlet_water_content
        inlet, driest = self.inlet.value, self.driest.value
        taken = xp.where(inlet > measured, inlet - measured, math.nan)
        left = xp.where(measured > driest, measured - driest, math.nan)
        log_factor = xp.where(xp.absolute(self.log_factor) < _NEAR_ONE, _NEAR_ONE, self.log_factor)
        factor = xp.exp(log_factor)
        power = 1.0 + taken / left * (factor - 1.0) / factor  # A^N; none where A is too small for any N
        found = xp.log(xp.where(power > 0.0, power, math.nan)) / log_factor
        _, by_factor, by_stages = log_removal_ratio(log_factor, found)
        analyzer: Effects = {"outlet_water_content": self.sd.outlet_water_content}
        stages = Absolute(
            found,
            combine(
                (inlet / taken / by_stages, self.inlet.effects),
                (driest / left / by_stages, self.driest.effects),
                (-by_factor / by_stages, self.factor_effects),
                (-(measured / taken + measured / left) / by_stages, analyzer),
            ),
        ).estimate
        trays = math.nan if self.design.trays is None else float(self.design.trays)
        self.estimates["inferred_stages"] = stages
        self.estimates["inferred_tray_efficiency"] = Estimate(
            stages.value / trays, stages.uncertainty / trays
        )


def _solved_dew_point(
    content: FloatOrArray, pressure: FloatOrArray
) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Dew point with the slopes of ln(content) there with 1/T and with ln(pressure).

    The same as ``calc.water.water_dew_point`` to 1e-8 K, without its bracket: three Newton steps in variables
    in which the curve is nearly straight, from the line that vapour pressure alone would give.
    """
    xp = functions_for(content, pressure)
    log_content = xp.log(content)
    inverse = (25.5 - log_content - xp.log(pressure / WATER_STANDARD_DENSITY)) / 5220.0
    for _ in range(3):
        value, by_inverse, by_log_pressure = log_water_content(inverse, pressure)
        inverse = inverse - (value - log_content) / by_inverse
    point = 1.0 / inverse
    inside = (point >= DEW_POINT.lower) & (point <= DEW_POINT.upper)
    return xp.where(inside, point, math.nan), by_inverse, by_log_pressure


@lru_cache(maxsize=64)
def _constant_dew_point(content: float, pressure: float) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Dew point of a single content: a limit is the same at every scan."""
    return _solved_dew_point(content, pressure)


def _absent(reading: FloatOrArray) -> bool:
    """Whether a reading is a single NaN: not available anywhere."""
    return isinstance(reading, float) and math.isnan(reading)


def _total_duty(mass: FloatOrArray, removed: FloatOrArray, temperature: FloatOrArray) -> FloatOrArray:
    """Reboiler duty [W] with the usual preheat, reflux and losses."""
    return reboiler_duty(mass, removed, temperature).total
