"""The simulated plant's physics: ``advance`` carries a state over one time step.

Two clocks, and why
-------------------
A reboiler needs the better part of an hour to overheat, a demonstration has a minute. Speeding everything
up would multiply the stroke rate that the daemon sees, because a daemon counts strokes by the wall clock. So
``time_factor`` speeds up the *process clock* only: every hold-up (glycol, water, heat in the steel, gas) and
every lag acts as if it were ``time_factor`` times smaller, while every *rate* - strokes a minute, gas rate,
glycol rate, watts - keeps its true value a second of wall time. The plant is then an honest small fast plant:
its balances close, its steady state is the same at any factor, and its pump strokes at its real rate. What is
not honest at a factor above 1 is how fast temperatures and levels move; weather and day shorten likewise.

Pure: no clock, no input or output. Randomness comes from the ``random.Random`` passed in, so that a seed and
a sequence of steps fix everything.
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

from daemon.fieldsim.design import PlantDesign
from daemon.fieldsim.properties import (
    GLYCOL_HEAT_CAPACITY,
    LATENT_HEAT,
    STANDARD_MOLAR_VOLUME,
    TEG_MOLAR_MASS,
    WATER_MOLAR_MASS,
    absorbed_share,
    activity_coefficients,
    boiling_mass_fraction,
    glycol_density,
    mole_fraction_water,
    saturated_water_content,
)
from daemon.fieldsim.state import UNDISTURBED, Ledger, PlantInputs, PlantState, Vessel

DAY = 86400.0
_LONGEST_STEP = 5.0  # s of the process clock: a sixth of the shortest hold-up that is stepped explicitly
_PUMP_LAG = 2.0  # s of wall time in which the pump's rate follows its drive
_WEIR_TIME = 30.0
_EVAPORATION_TIME = 30.0
_REFERENCE = 273.15  # K, zero of the reboiler's stored heat


def advance(
    design: PlantDesign,
    state: PlantState,
    dt: float,
    inputs: PlantInputs,
    rng: Random,
    time_factor: float = 1.0,
) -> PlantState:
    """Carry the plant over ``dt`` seconds of wall time.

    Parameters
    ----------
    design : PlantDesign
        Sizes and hidden truths.
    state : PlantState
        Where the plant is now.
    dt : float
        Step [s of wall time], positive.
    inputs : PlantInputs
        What acts from outside during the step.
    rng : random.Random
        Source of weather, noise and stroke jitter.
    time_factor : float
        How many times faster than the wall clock hold-ups and lags pass; see the module's text. Positive.

    Raises
    ------
    ValueError
        If ``dt`` or ``time_factor`` is not positive.
    """
    if dt <= 0.0 or time_factor <= 0.0:
        raise ValueError(f"step {dt} s and time factor {time_factor} must be positive")
    process_step = dt * time_factor
    parts = max(1, math.ceil(process_step / _LONGEST_STEP))
    for _ in range(parts):
        state = _stroke(design, state, dt / parts, inputs, rng)
        state = _process(design, state, process_step / parts, inputs, rng)
    return state


def stored_heat(design: PlantDesign, state: PlantState) -> float:
    """Return the heat in the reboiler's glycol and steel above 0 degC [J]."""
    capacity = state.reboiler.mass * GLYCOL_HEAT_CAPACITY + design.metal_heat_capacity
    return capacity * (state.reboiler_temperature - _REFERENCE)


def start(design: PlantDesign, rng: Random) -> PlantState:
    """Return a plant in ordinary running, settled, a little way into its thermostat's cycle.

    The guess below is carried over five hours of its own process clock; totals then start from zero.
    """
    lean = boiling_mass_fraction(design.reboiler_set_point, design.reboiler_pressure)
    rich = lean + 0.035
    approach = design.gas_temperature + design.lean_approach

    def filled(mass: float, water_fraction: float) -> Vessel:
        return Vessel(mass * (1.0 - water_fraction), mass * water_fraction)

    inlet = saturated_water_content(design.gas_temperature, design.contactor_pressure)
    state = PlantState(
        process_time=0.0,
        stroke_time=0.0,
        ambient_departure=0.0,
        gas_temperature_departure=0.0,
        gas_rate_departure=0.0,
        pressure_departure=0.0,
        foam_noise=0.0,
        stroke_rate=design.stroke_rate,
        stroke_phase=rng.random(),
        stroke_pace=1.0,
        stroke_count=0,
        contactor=filled(design.contactor_mass, rich),
        flash=filled(design.flash_mass, rich),
        reboiler=filled(design.reboiler_mass + design.lean_mass_rate * _WEIR_TIME, lean),
        surge=filled(design.surge_mass, lean),
        reboiler_temperature=design.reboiler_set_point,
        thermostat_on=True,
        burner_on=True,
        shutdown_tripped=False,
        boiling_fraction=lean,
        outlet_water_content=0.1 * inlet,
        lean_temperature=approach,
        rich_temperature=design.gas_temperature + 0.6 * (design.reboiler_set_point - design.gas_temperature),
        still_vapour=1.0,
        still_top_temperature=374.0,
        stack_temperature=600.0,
        flash_temperature=325.0,
        flash_pressure=design.flash_pressure,
        ambient_temperature=design.ambient_temperature,
        gas_rate=design.gas_rate,
        gas_temperature=design.gas_temperature,
        contactor_pressure=design.contactor_pressure,
        contactor_differential_pressure=design.contactor_differential_pressure,
        filter_differential_pressure=design.filter_differential_pressure,
        lean_rate=design.displacement * design.volumetric_efficiency * design.stroke_rate,
        lean_water_fraction=lean,
        inlet_water_content=inlet,
        ledger=Ledger(),
    )
    for _ in range(3600):
        state = advance(design, state, _LONGEST_STEP, UNDISTURBED, rng)
    return replace(state, stroke_count=0, ledger=Ledger(), stroke_time=0.0)


def _stroke(
    design: PlantDesign, state: PlantState, dt: float, inputs: PlantInputs, rng: Random
) -> PlantState:
    """Move the pump by ``dt`` seconds of wall time and count the strokes that fall into it."""
    speed_up = 1.0 + 0.3 * inputs.seal_leak  # a pump that leaks meets less resistance
    drive = inputs.stroke_rate_factor * speed_up * (1.0 - 0.65 * inputs.strainer_plugging)
    target = min(design.stroke_rate * max(0.0, drive), design.maximum_rate)
    rate = target + (state.stroke_rate - target) * math.exp(-dt / _PUMP_LAG)
    if target == 0.0 and rate < 1e-3:
        rate = 0.0
    phase, pace, count = state.stroke_phase, state.stroke_pace, state.stroke_count
    left = dt * 0.5 * (rate + state.stroke_rate)  # strokes of mean length that fit into the step
    while left > 0.0 and phase + left / pace >= 1.0:
        left -= (1.0 - phase) * pace
        phase, count = 0.0, count + 1
        jitter = 0.015 if rate >= design.stall_rate else 0.08  # below its stall rate a pump hesitates
        pace = max(0.5, rng.gauss(1.0, jitter))
    return replace(
        state,
        stroke_time=state.stroke_time + dt,
        stroke_rate=rate,
        stroke_phase=phase + left / pace,
        stroke_pace=pace,
        stroke_count=count,
    )


def _wander(value: float, h: float, time_constant: float, deviation: float, rng: Random) -> float:
    """Step a departure that wanders about zero (Ornstein-Uhlenbeck, exact for any step)."""
    keep = math.exp(-h / time_constant)
    return value * keep + deviation * math.sqrt(1.0 - keep * keep) * rng.gauss(0.0, 1.0)


def _approach(value: float, target: float, h: float, time_constant: float) -> float:
    return target + (value - target) * math.exp(-h / time_constant)


def _process(  # noqa: PLR0915 - one step of one plant, as gas, glycol and heat pass through it
    design: PlantDesign, state: PlantState, h: float, inputs: PlantInputs, rng: Random
) -> PlantState:
    """Step everything but the pump by ``h`` seconds of the process clock."""
    # Weather and what the field sends
    process_time = state.process_time + h
    ambient_departure = _wander(state.ambient_departure, h, 7200.0, 1.5, rng)
    gas_temperature_departure = _wander(state.gas_temperature_departure, h, 1800.0, 0.3, rng)
    gas_rate_departure = _wander(state.gas_rate_departure, h, 600.0, 0.012, rng)
    pressure_departure = _wander(state.pressure_departure, h, 900.0, 0.003, rng)
    foam_noise = _wander(state.foam_noise, h, 20.0, 0.35, rng)
    day = math.sin(2.0 * math.pi * (process_time - 0.375 * DAY) / DAY)  # warmest in the afternoon
    ambient = design.ambient_temperature + design.ambient_swing * day + ambient_departure
    gas_temperature = (
        design.gas_temperature
        + 0.25 * (ambient - design.ambient_temperature)
        + gas_temperature_departure
        + inputs.gas_temperature_rise
    )
    gas_rate = max(0.0, design.gas_rate * inputs.gas_rate_factor * (1.0 + 0.02 * day + gas_rate_departure))
    pressure = design.contactor_pressure * inputs.pressure_factor * (1.0 + pressure_departure)

    # Pump: lean glycol from the surge tank, rich glycol past worn seals
    surge, contactor, flash, reboiler = state.surge, state.contactor, state.flash, state.reboiler
    density = glycol_density(state.lean_temperature, surge.water_fraction)
    delivered = state.stroke_rate * design.displacement * design.volumetric_efficiency * density
    delivered = min(delivered, 0.5 * surge.mass / h)  # an empty surge tank starves the pump
    leak = min(0.5, max(0.0, inputs.seal_leak))
    from_surge = delivered * (1.0 - leak)
    lean_water = (1.0 - leak) * surge.water_fraction + leak * contactor.water_fraction
    load = delivered / design.lean_mass_rate

    # Contactor: Kremser with the plant's own stages, seen through its own lag
    inlet = saturated_water_content(gas_temperature, pressure)
    contact_temperature = gas_temperature + 1.0  # heat of absorption
    saturated = saturated_water_content(contact_temperature, pressure)
    x = mole_fraction_water(lean_water)
    activity = activity_coefficients(x, contact_temperature)[0] * design.equilibrium_bias
    floor = saturated * activity * x
    slope = activity * saturated * STANDARD_MOLAR_VOLUME / WATER_MOLAR_MASS  # K = y/x
    glycol_moles = delivered * (lean_water / WATER_MOLAR_MASS + (1.0 - lean_water) / TEG_MOLAR_MASS)
    gas_moles = gas_rate / STANDARD_MOLAR_VOLUME
    stages = design.trays * design.tray_efficiency * (1.0 - 0.65 * inputs.foaming)
    factor = glycol_moles / (slope * gas_moles) if gas_moles > 0.0 else 1e9
    target = inlet - absorbed_share(factor, stages) * (inlet - floor)
    outlet = _approach(state.outlet_water_content, target, h, 120.0)
    # Never dries a gas with water that is not there, nor wets it with water the glycol does not hold.
    absorbed = max(gas_rate * (inlet - outlet), -0.5 * contactor.water / h)

    # Glycol round the loop; every vessel drains in proportion to what stands above its bottom
    mist = gas_rate * design.mist_loss * (1.0 + 400.0 * inputs.foaming)
    mist = min(mist, 0.1 * contactor.mass / h)
    hold = 0.6  # share of the usual content that stays when the flow stops
    contactor_time = (1.0 - hold) * design.contactor_mass / design.lean_mass_rate
    flash_time = (1.0 - hold) * design.flash_mass / design.lean_mass_rate
    to_flash = max(0.0, contactor.mass - hold * design.contactor_mass) / contactor_time
    to_reboiler = max(0.0, flash.mass - hold * design.flash_mass) / flash_time
    to_surge = max(0.0, reboiler.mass - design.reboiler_mass) / _WEIR_TIME
    spill = min(inputs.glycol_loss * design.lean_mass_rate, 0.2 * surge.mass / h)

    # Reboiler: one equilibrium stage
    boiling = boiling_mass_fraction(
        state.reboiler_temperature, design.reboiler_pressure, max(1e-4, state.boiling_fraction)
    )
    surplus = (reboiler.water_fraction - boiling) * reboiler.mass
    evaporated = max(0.0, surplus) / _EVAPORATION_TIME
    still_loss = 2e-4 * evaporated * math.exp(min(4.0, (state.still_top_temperature - 374.0) / 12.0))

    def moved(vessel: Vessel, *flows: tuple[float, float]) -> Vessel:
        """Add flows (kg/s, water fraction) to a vessel over the step."""
        teg = vessel.teg + h * sum(rate * (1.0 - fraction) for rate, fraction in flows)
        return Vessel(teg, vessel.water + h * sum(rate * fraction for rate, fraction in flows))

    w_contactor, w_flash = contactor.water_fraction, flash.water_fraction
    w_reboiler, w_surge = reboiler.water_fraction, surge.water_fraction
    new_reboiler = moved(
        reboiler, (to_reboiler, w_flash), (-to_surge, w_reboiler), (-evaporated, 1.0), (-still_loss, 0.0)
    )

    # Burner: thermostat with hysteresis, a stuck valve, a lost flame, an independent shutdown
    half = design.thermostat_half_band
    thermostat = state.thermostat_on
    if state.reboiler_temperature >= design.reboiler_set_point + half:
        thermostat = False
    elif state.reboiler_temperature <= design.reboiler_set_point - half:
        thermostat = True
    tripped = state.shutdown_tripped and state.reboiler_temperature > design.reboiler_set_point
    tripped = tripped or state.reboiler_temperature >= design.shutdown_temperature
    covered = reboiler.mass > 0.6 * design.reboiler_mass  # low-level shutdown keeps the fire tube wet
    burner = (thermostat or inputs.burner_stuck_on) and not inputs.burner_out and not tripped and covered

    # Heat: what is stored changes by what is fired, lost and carried
    shell = design.heat_loss * (state.reboiler_temperature - ambient)
    fired = design.burner_power if burner else 0.0
    glycol_heat = GLYCOL_HEAT_CAPACITY * (state.reboiler_temperature - _REFERENCE)
    rich_heat = GLYCOL_HEAT_CAPACITY * (state.rich_temperature - _REFERENCE)
    carried = (
        (to_surge + still_loss + evaporated) * glycol_heat
        + evaporated * LATENT_HEAT * (1.0 + design.reflux)
        - to_reboiler * rich_heat
    )
    heat = stored_heat(design, state) + h * (fired - shell - carried)
    capacity = new_reboiler.mass * GLYCOL_HEAT_CAPACITY + design.metal_heat_capacity
    temperature = _REFERENCE + heat / capacity

    # What follows with a lag
    rich_target = gas_temperature + design.exchanger_effectiveness * (temperature - gas_temperature)
    usual_span = design.reboiler_set_point - design.gas_temperature
    approach = design.lean_approach * load**0.8 * (temperature - gas_temperature) / usual_span
    usual_water = (
        0.9 * design.gas_rate * saturated_water_content(design.gas_temperature, design.contactor_pressure)
    )
    vapour = evaporated / usual_water
    still_vapour = _approach(state.still_vapour, vapour, h, 600.0)  # the packing holds heat
    still_share = 1.1 * still_vapour / (still_vapour + 0.1)
    still_span = 374.0 - design.ambient_temperature
    drive_gas = load * (1.0 + 3.0 * leak)
    hot = 1.0 if burner else 0.0
    # Dry trays drop with the square of the gas velocity; a tenth of the drop is the liquid on them.
    velocity = gas_rate / design.gas_rate * gas_temperature / design.gas_temperature
    tray_drop = velocity**2 * design.contactor_pressure / pressure * (0.9 + 0.1 * load)
    foam = 1.0 + 2.5 * inputs.foaming * (1.0 + foam_noise)
    plugged = 1.0 - 0.85 * min(1.0, max(0.0, inputs.strainer_plugging))
    ledger = state.ledger
    return replace(
        state,
        process_time=process_time,
        ambient_departure=ambient_departure,
        gas_temperature_departure=gas_temperature_departure,
        gas_rate_departure=gas_rate_departure,
        pressure_departure=pressure_departure,
        foam_noise=foam_noise,
        contactor=moved(
            contactor, (from_surge, w_surge), (absorbed, 1.0), (-to_flash, w_contactor), (-mist, w_contactor)
        ),
        flash=moved(flash, (to_flash, w_contactor), (-to_reboiler, w_flash)),
        reboiler=new_reboiler,
        surge=moved(surge, (to_surge, w_reboiler), (-from_surge, w_surge), (-spill, w_surge)),
        reboiler_temperature=temperature,
        thermostat_on=thermostat,
        burner_on=burner,
        shutdown_tripped=tripped,
        boiling_fraction=boiling,
        outlet_water_content=outlet,
        lean_temperature=_approach(state.lean_temperature, gas_temperature + approach, h, 300.0),
        rich_temperature=_approach(state.rich_temperature, rich_target, h, 120.0),
        still_vapour=still_vapour,
        still_top_temperature=design.ambient_temperature + still_span * still_share,
        stack_temperature=_approach(state.stack_temperature, ambient + 60.0 + 330.0 * hot, h, 90.0),
        flash_temperature=_approach(
            state.flash_temperature, gas_temperature + 26.0 * min(1.0, load), h, 300.0
        ),
        flash_pressure=_approach(
            state.flash_pressure, design.flash_pressure * (0.7 + 0.3 * drive_gas), h, 60.0
        ),
        ambient_temperature=ambient,
        gas_rate=gas_rate,
        gas_temperature=gas_temperature,
        contactor_pressure=pressure,
        contactor_differential_pressure=design.contactor_differential_pressure * tray_drop * foam,
        filter_differential_pressure=design.filter_differential_pressure * load**1.5 / plugged**2,
        lean_rate=delivered / density,
        lean_water_fraction=lean_water,
        inlet_water_content=inlet,
        ledger=Ledger(
            water_from_gas=ledger.water_from_gas + h * absorbed,
            water_evaporated=ledger.water_evaporated + h * evaporated,
            water_lost=ledger.water_lost + h * (mist * w_contactor + spill * w_surge),
            teg_lost=ledger.teg_lost
            + h * (mist * (1.0 - w_contactor) + spill * (1.0 - w_surge) + still_loss),
            heat_fired=ledger.heat_fired + h * fired,
            heat_to_ambient=ledger.heat_to_ambient + h * shell,
            heat_by_streams=ledger.heat_by_streams + h * carried,
        ),
    )
