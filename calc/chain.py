"""The chain of one unit's calculation: from checked readings to every result with its effects.

Each step gives a value and its *effects* (``calc.uncertainty``), so that uncertainty costs a few multiplications
instead of a second calculation per source. The same lines serve one set of readings and a block of rows. NaN runs
through: a result that needs an absent reading is absent.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from calc.absorber import moles_per_mass
from calc.activity import activity_logarithms
from calc.arrays import FloatOrArray, functions_for
from calc.constants import STANDARD_MOLAR_VOLUME, TEG_MOLAR_MASS, WATER_MOLAR_MASS, WATER_STANDARD_DENSITY
from calc.equilibrium import dew_point_at_log_pressure
from calc.errors import CalcError
from calc.gas import compressibility
from calc.glycol import density
from calc.hydrate import hydrate_temperature
from calc.kremser import log_absorption_factor_for, log_removal_ratio
from calc.readings import Design, Estimate, Readings, Uncertainties
from calc.reboiler import reboiler_duty
from calc.regeneration import lean_water
from calc.saturation import liquid_log_pressure
from calc.uncertainty import Effects, combine, probability_below_zero, standard_uncertainty
from calc.water import log_water_content, water_dew_point

_LITTLE = 1e-30  # rate that stands for none, so that its logarithm exists
_PUREST = 0.99999  # lean glycol above this is a wrong bias or a wrong sample


@dataclass(frozen=True, slots=True)
class ChainResult:
    """Estimates by name, and the effects on the dew-point margin."""

    estimates: dict[str, Estimate]
    margin_effects: Effects


def _or_absent(function: Callable[..., FloatOrArray], *arguments: FloatOrArray | float) -> FloatOrArray:
    """Let a scalar out of range be absent (NaN), as the same element of an array is.

    ``calc.unit.reason`` names the reading that is to blame, so nothing is lost with the error's text.
    """
    try:
        return function(*arguments)
    except CalcError:
        return math.nan


def _estimate(value: FloatOrArray, effects: Effects) -> Estimate:
    """Estimate with the uncertainty of its effects; an absent value has none."""
    uncertainty = standard_uncertainty(effects)
    return Estimate(value, uncertainty + 0.0 * value)


def _relative(value: FloatOrArray, effects: Effects) -> Estimate:
    """Estimate from effects on the logarithm of the value."""
    return Estimate(value, value * standard_uncertainty(effects))


def calculate(readings: Readings, design: Design, sd: Uncertainties) -> ChainResult:
    """Run the chain for one set of readings or one block of rows; readings out of range must be NaN already."""
    r = readings
    xp = functions_for(*(getattr(r, name) for name in r.__slots__))
    exp, log, where, isnan = xp.exp, xp.log, xp.where, xp.isnan
    results: dict[str, Estimate] = {}

    def choose(measured: FloatOrArray, otherwise: FloatOrArray) -> FloatOrArray:
        return where(isnan(measured), otherwise, measured)

    # Circulation.
    pumped = r.stroke_rate * (design.pump_displacement * design.volumetric_efficiency)
    circulation = choose(r.lean_glycol_rate, pumped)
    flow_effects: Effects = {"circulation_rate": sd.circulation_rate}
    results["circulation_rate"] = _relative(circulation, flow_effects)

    # Gas.
    temperature, pressure, gas = r.gas_temperature, r.gas_pressure, r.gas_rate
    z = _or_absent(_compressibility(design), temperature, pressure)
    results["compressibility"] = _relative(z, {"compressibility_model": sd.compressibility_model})
    inverse = 1.0 / temperature
    log_saturated, by_inverse, by_log_pressure = log_water_content(inverse, pressure)
    saturated = exp(log_saturated)
    pressure_effect: Effects = {"gas_pressure": sd.gas_pressure}
    saturated_effects: Effects = {
        "gas_temperature": -by_inverse * inverse * inverse * sd.gas_temperature,
        "gas_pressure": by_log_pressure * sd.gas_pressure,
        "water_content_model": sd.water_content_model,
    }
    results["saturated_water_content"] = _relative(saturated, saturated_effects)
    gas_effect: Effects = {"gas_rate": sd.gas_rate}

    # Water in the wet gas: measured, or saturated.
    assumed = where(isnan(r.inlet_water_content), 1.0, 0.0)
    inlet = choose(r.inlet_water_content, saturated)
    inlet_effects = combine(
        (assumed, saturated_effects), (1.0 - assumed, {"inlet_water_content": sd.inlet_water_content})
    )
    results["inlet_water_content"] = _relative(inlet, inlet_effects)
    load = inlet * gas
    results["water_load"] = _relative(load, combine((1.0, inlet_effects), (1.0, gas_effect)))

    # Lean glycol: laboratory, or reboiler.
    boiling_pressure = choose(r.reboiler_pressure, design.barometric_pressure + design.still_back_pressure)
    flowing = where(circulation > 0.0, circulation, math.nan)
    stripping = choose(r.stripping_gas_rate / flowing, design.stripping_gas_ratio + 0.0 * pressure)
    stripped = design.stripping_gas_ratio > 0.0 or not isinstance(r.stripping_gas_rate, float)
    stripped = stripped or not math.isnan(r.stripping_gas_rate)
    boiled_off = load / flowing if stripped else 1.0
    lean = lean_water(
        r.reboiler_temperature,
        boiling_pressure,
        stripping if stripped else 0.0,
        boiled_off,
        design.stripping_stages,
    )
    x = lean.water_mole_fraction
    reboiler_effects: Effects = {
        "reboiler_temperature": lean.log_by_temperature * sd.reboiler_temperature,
        "reboiler_pressure": lean.log_by_log_pressure * (sd.reboiler_pressure / boiling_pressure),
    }
    if stripped:
        reboiler_effects["stripping_gas_ratio"] = lean.log_by_log_stripping * sd.stripping_gas_ratio
    if design.lean_purity_bias_uncertainty is None:
        reboiler_effects["activity"] = lean.log_by_log_activity * sd.activity
        reboiler_effects["activity_reboiler"] = lean.log_by_log_activity * sd.activity_reboiler
    by_log_x = -x * TEG_MOLAR_MASS * WATER_MOLAR_MASS / _mixture_molar_mass(x) ** 2  # dw / d ln x
    purity_effects = combine((by_log_x, reboiler_effects))
    if design.lean_purity_bias_uncertainty is not None:
        purity_effects["laboratory_mass_fraction"] = design.lean_purity_bias_uncertainty + 0.0 * x
    calculated = (1.0 - x) * TEG_MOLAR_MASS / _mixture_molar_mass(x) + design.lean_purity_bias
    if isinstance(r.lean_mass_fraction, float) and math.isnan(r.lean_mass_fraction):
        purity = calculated
    else:
        sampled = where(isnan(r.lean_mass_fraction), 0.0, 1.0)
        purity = choose(r.lean_mass_fraction, calculated)
        purity_effects = {name: where(sampled > 0.0, 0.0, effect) for name, effect in purity_effects.items()}
        purity_effects = combine(
            (1.0, purity_effects), (sampled, {"laboratory_mass_fraction": sd.laboratory_mass_fraction})
        )
    purity = where(purity <= _PUREST, purity, math.nan)
    results["lean_mass_fraction"] = _estimate(purity, purity_effects)

    # Activity of the water in it.
    by_mass = (1.0 - purity) / WATER_MOLAR_MASS
    x = by_mass / (by_mass + purity / TEG_MOLAR_MASS)
    log_gamma, _, gamma_slope = activity_logarithms(x)
    log_activity = log(x) + log_gamma
    x_slope = -(_mixture_molar_mass(x) ** 2) / (TEG_MOLAR_MASS * WATER_MOLAR_MASS)  # dx / dw
    model: Effects = {"activity": sd.activity, "activity_contactor": sd.activity_contactor}
    gamma_effects = combine((gamma_slope * x_slope, purity_effects), (1.0, model))
    activity_effects = combine(((gamma_slope + 1.0 / x) * x_slope, purity_effects), (1.0, model))
    log_pressure, pressure_slope = liquid_log_pressure(inverse)
    heating: Effects = {"gas_temperature": -pressure_slope * inverse * inverse * sd.gas_temperature}
    equilibrium = dew_point_at_log_pressure(log_activity + log_pressure)
    _, slope = liquid_log_pressure(1.0 / equilibrium)
    results["equilibrium_dew_point"] = _estimate(
        equilibrium,
        combine((-equilibrium * equilibrium / slope, combine((1.0, activity_effects), (1.0, heating)))),
    )
    driest = saturated * exp(log_activity)
    driest_effects = combine((1.0, saturated_effects), (1.0, activity_effects))

    # Contactor. The glycol's density is taken at gas temperature; its own effect (0.1 %) is left out.
    glycol_density = _or_absent(density, temperature, purity)
    lean_moles = glycol_density * moles_per_mass(purity)
    per_flow = (
        log(lean_moles * (WATER_STANDARD_DENSITY * STANDARD_MOLAR_VOLUME) / where(gas > 0.0, gas, math.nan))
        - log_gamma
        - log_saturated
    )
    moles_slope = (1.0 / TEG_MOLAR_MASS - 1.0 / WATER_MOLAR_MASS) / moles_per_mass(purity)
    per_flow_effects = combine(
        (-1.0, gas_effect), (moles_slope, purity_effects), (-1.0, gamma_effects), (-1.0, saturated_effects)
    )
    log_factor = log(xp.maximum(circulation, _LITTLE)) + per_flow
    factor_effects = combine((1.0, flow_effects), (1.0, per_flow_effects))
    stages = design.theoretical_stages
    stage_effect: Effects = {"theoretical_stages": stages * sd.theoretical_stages}
    log_ratio, by_factor, by_stages = log_removal_ratio(log_factor, stages)
    ratio = exp(log_ratio)
    share = 1.0 / (1.0 + ratio)
    outlet = (inlet + ratio * driest) * share
    outlet_effects = combine(  # on the content itself
        (share * inlet, inlet_effects),
        (share * ratio * driest, driest_effects),
        (share * ratio * (driest - outlet), combine((by_factor, factor_effects), (by_stages, stage_effect))),
    )
    results["outlet_water_content"] = _estimate(outlet, outlet_effects)

    # Water balance.
    removed = gas * (inlet - outlet)
    removed_effects = combine((gas * inlet, inlet_effects), (-gas, outlet_effects), (removed, gas_effect))
    results["water_removed"] = _estimate(removed, removed_effects)
    drying = where(removed > 0.0, removed, math.nan)
    circulation_ratio = circulation / drying
    results["circulation_ratio"] = _relative(
        circulation_ratio, combine((1.0, flow_effects), (-1.0 / drying, removed_effects))
    )
    mass = circulation * glycol_density
    rich = mass * purity / where(mass + removed > 0.0, mass + removed, math.nan)
    dilution = removed / (mass + _LITTLE + removed)
    results["rich_mass_fraction"] = _estimate(
        rich,
        combine(
            (rich / purity, purity_effects),
            (rich * dilution, flow_effects),
            (-rich * dilution / drying, removed_effects),
        ),
    )
    duty = _or_absent(
        lambda *arguments: reboiler_duty(*arguments).total, mass, removed, r.reboiler_temperature
    )
    results["reboiler_duty"] = _relative(
        duty, {"reboiler_duty_model": sd.reboiler_duty_model, "circulation_rate": sd.circulation_rate}
    )

    # Dew points and the limit.
    stated = pressure if design.limit_pressure is None else design.limit_pressure
    stated_effect = pressure_effect if design.limit_pressure is None else {}
    reading_off: Effects = {"dew_point_model": -sd.dew_point_model}

    def dew_point(content: FloatOrArray, log_effects: Effects) -> tuple[FloatOrArray, Effects]:
        point = _or_absent(water_dew_point, content, stated)
        _, by_inverse, by_log_pressure = log_water_content(1.0 / point, stated)
        slope = -point * point / by_inverse  # dT / d ln W
        moved = combine((1.0, log_effects), (-by_log_pressure, stated_effect), (1.0, reading_off))
        return point, combine((slope, moved))

    outlet_dew_point, outlet_dew_effects = dew_point(outlet, combine((1.0 / outlet, outlet_effects)))
    results["outlet_dew_point"] = _estimate(outlet_dew_point, outlet_dew_effects)
    limit: FloatOrArray
    limit_effects: Effects
    if design.limit_dew_point is None:
        limit, limit_effects = (
            math.nan if design.limit_water_content is None else design.limit_water_content,
            {},
        )
        limit_dew_point, limit_dew_effects = dew_point(limit, limit_effects)
    else:
        limit_dew_point, limit_dew_effects = design.limit_dew_point, {}
        log_limit, _, by_log_pressure = log_water_content(1.0 / limit_dew_point, stated)
        limit = exp(log_limit) if not isinstance(log_limit, float) else math.exp(log_limit)
        limit_effects = combine((by_log_pressure, stated_effect), (-1.0, reading_off))
    results["limit_dew_point"] = _estimate(limit_dew_point, limit_dew_effects)
    margin = limit_dew_point - outlet_dew_point
    margin_effects = combine((1.0, limit_dew_effects), (-1.0, outlet_dew_effects))
    results["dew_point_margin"] = margin_estimate = _estimate(margin, margin_effects)
    results["water_content_margin"] = _estimate(
        limit - outlet, combine((limit, limit_effects), (-1.0, outlet_effects))
    )
    spread = where(margin_estimate.uncertainty > 0.0, margin_estimate.uncertainty, math.nan)
    results["probability_over_limit"] = Estimate(
        probability_below_zero(margin, spread), math.nan + 0.0 * margin
    )

    # Glycol that would just meet the limit.
    wet = where(inlet > limit, inlet - limit, math.nan)
    room = where(limit > driest, limit - driest, math.nan)
    log_needed_ratio = log(wet / room)
    needed_effects = combine(
        (inlet / wet, inlet_effects),
        (-limit / wet - limit / room, limit_effects),
        (driest / room, driest_effects),
    )
    log_needed = log_absorption_factor_for(log_needed_ratio, stages)
    _, by_factor, by_stages = log_removal_ratio(log_needed, stages)
    needed = exp(log_needed - per_flow)
    meets_already = (inlet <= limit) & (limit > driest)
    needed = where(meets_already, 0.0 * inlet, needed)
    needed_effects = combine(
        (1.0 / by_factor, needed_effects), (-by_stages / by_factor, stage_effect), (-1.0, per_flow_effects)
    )
    needed_effects = {name: where(meets_already, 0.0, effect) for name, effect in needed_effects.items()}
    results["required_circulation_rate"] = _relative(needed, needed_effects)
    results["required_stroke_rate"] = _relative(
        needed / (design.pump_displacement * design.volumetric_efficiency),
        combine((1.0, needed_effects), (-1.0, flow_effects)),
    )

    # Stages that explain a measured outlet.
    measured = r.outlet_water_content
    taken = where(inlet >= measured, inlet - measured, math.nan)
    left = where(measured > driest, measured - driest, math.nan)
    tame = where(xp.absolute(log_factor) < 1e-6, 1e-6, log_factor)
    factor = exp(tame)
    power = 1.0 + taken / left * (factor - 1.0) / factor  # A^N; none where A is too small for any N
    found = log(where(power > 0.0, power, math.nan)) / tame
    _, by_factor, by_stages = log_removal_ratio(log_factor, xp.maximum(found, 1e-6))
    found_effects = combine(
        (inlet / xp.maximum(taken, _LITTLE), inlet_effects),
        (driest / left, driest_effects),
        (-by_factor, factor_effects),
        (
            -measured / xp.maximum(taken, _LITTLE) - measured / left,
            {"outlet_water_content": sd.outlet_water_content},
        ),
    )
    results["inferred_stages"] = stages_estimate = _estimate(found, combine((1.0 / by_stages, found_effects)))
    trays = math.nan if design.trays is None else float(design.trays)
    results["inferred_tray_efficiency"] = Estimate(
        stages_estimate.value / trays, stages_estimate.uncertainty / trays
    )

    # Beside the chain.
    hydrate = _or_absent(hydrate_temperature, pressure, design.specific_gravity)
    results["hydrate_temperature"] = _estimate(hydrate, {"hydrate_model": sd.hydrate_model})
    results["lean_approach_temperature"] = _estimate(
        r.lean_glycol_temperature - temperature,
        {"gas_temperature": sd.gas_temperature, "lean_glycol_temperature": sd.gas_temperature},
    )
    return ChainResult(results, margin_effects)


def _mixture_molar_mass(x: FloatOrArray) -> FloatOrArray:
    """Molar mass of glycol with a mole fraction of water [kg/mol]."""
    return TEG_MOLAR_MASS + (WATER_MOLAR_MASS - TEG_MOLAR_MASS) * x


def _compressibility(design: Design) -> Callable[[FloatOrArray, FloatOrArray], FloatOrArray]:
    """Compressibility of the design's gas."""

    def of(temperature: FloatOrArray, pressure: FloatOrArray) -> FloatOrArray:
        return compressibility(
            temperature,
            pressure,
            design.specific_gravity,
            carbon_dioxide=design.carbon_dioxide,
            hydrogen_sulfide=design.hydrogen_sulfide,
            nitrogen=design.nitrogen,
        )

    return of
