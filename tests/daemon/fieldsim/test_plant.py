"""The simulated plant keeps its books, runs as real units run, and is the same again for the same seed."""

from __future__ import annotations

import dataclasses
import itertools
from random import Random

import pytest

from daemon.fieldsim.plant import advance, stored_heat
from daemon.fieldsim.properties import dew_point
from daemon.fieldsim.state import UNDISTURBED, PlantInputs, PlantState
from tests.support.published import rows
from tests.support.simulated_plant import DESIGN, last, mean, run, settled

UPSETS = {
    "undisturbed": UNDISTURBED,
    "burner stuck on": PlantInputs(burner_stuck_on=True),
    "burner out": PlantInputs(burner_out=True),
    "pump stopped": PlantInputs(stroke_rate_factor=0.0),
    "worn seals, hot gas": PlantInputs(seal_leak=0.3, gas_temperature_rise=15.0),
    "foaming, leak": PlantInputs(foaming=1.0, glycol_loss=0.5),
    "gas gone": PlantInputs(gas_rate_factor=0.0),
}


@pytest.mark.parametrize("inputs", UPSETS.values(), ids=UPSETS.keys())
@pytest.mark.parametrize("step", [0.1, 10.0])
def test_water_teg_and_heat_are_conserved(inputs: PlantInputs, step: float) -> None:
    before = settled()
    after = last(run(inputs, seconds=30.0 if step < 1.0 else 7200.0, step=step))
    books = after.ledger
    water = before.water_inventory + books.water_from_gas - books.water_evaporated - books.water_lost
    assert after.water_inventory == pytest.approx(water, rel=1e-9)
    assert after.teg_inventory == pytest.approx(before.teg_inventory - books.teg_lost, rel=1e-9)
    heat = books.heat_fired - books.heat_to_ambient - books.heat_by_streams
    assert stored_heat(DESIGN, after) - stored_heat(DESIGN, before) == pytest.approx(heat, abs=1.0)


def test_no_vessel_runs_below_empty_when_everything_leaks() -> None:
    inputs = PlantInputs(glycol_loss=1.0, foaming=1.0, burner_stuck_on=True)
    for state in run(inputs, seconds=20_000.0, step=10.0):
        for vessel in (state.contactor, state.flash, state.reboiler, state.surge):
            assert vessel.teg >= 0.0
            assert vessel.water >= 0.0
    assert state.lean_rate < 0.05 * DESIGN.displacement * DESIGN.stroke_rate  # nothing left to pump


def _rule(quantity: str) -> str:
    return next(row["value"] for row in rows("operating_rules") if row["quantity"] == quantity)


@pytest.fixture(scope="module")
def a_day() -> list[PlantState]:
    return list(run(seconds=86_400.0, step=10.0))


def test_ordinary_running_stays_inside_the_usual_figures(a_day: list[PlantState]) -> None:
    temperature = [state.reboiler_temperature for state in a_day]
    # A thermostat overshoots its band by what one step adds.
    assert max(temperature) < DESIGN.reboiler_set_point + DESIGN.thermostat_half_band + 0.3
    assert min(temperature) > DESIGN.reboiler_set_point - DESIGN.thermostat_half_band - 0.3

    assert _rule("rich TEG") == "2-6 wt% water more than lean; lean 98.5-99.5"
    lean = 100.0 * (1.0 - mean(a_day, lambda state: state.surge.water_fraction))
    rich = 100.0 * (1.0 - mean(a_day, lambda state: state.contactor.water_fraction))
    assert 98.5 <= lean <= 99.5
    assert 2.0 <= lean - rich <= 6.0

    assert _rule("circulation ratio").startswith("2-5 gal TEG per lb water")
    removed = mean(a_day, lambda s: s.gas_rate * (s.inlet_water_content - s.outlet_water_content))
    gallons_a_pound = mean(a_day, lambda s: s.lean_rate) / removed / 3.785411784e-3 * 0.45359237
    assert 2.0 <= gallons_a_pound <= 5.0

    assert _rule("still-column top").startswith("98-102 C")
    assert 98.0 <= mean(a_day, lambda s: s.still_top_temperature) - 273.15 <= 102.0

    assert _rule("flash separator").startswith("40-100 psig (3-7 bar g)")
    assert all(3e5 <= s.flash_pressure - DESIGN.barometric_pressure <= 7e5 for s in a_day)

    assert _rule("lean TEG inlet approach").startswith("3-8 C")
    assert 3.0 <= mean(a_day, lambda s: s.lean_temperature - s.gas_temperature) <= 8.0

    assert _rule("glycol loss").startswith("< 0.1 gal/MMscf (13 L per 1e6 m3)")
    gas = sum(10.0 * s.gas_rate for s in a_day)
    assert a_day[-1].ledger.teg_lost / 1.11 / (gas / 1e6) < 13.0  # litres per 1e6 m3, 1.11 kg/L


def test_ordinary_running_dries_the_gas_below_a_usual_contract_limit(a_day: list[PlantState]) -> None:
    # 7 lb/MMscf is the usual figure of US contracts (common practice, no source): 1.12e-4 kg/m3.
    assert max(state.outlet_water_content for state in a_day) < 7.0 * 1.6018e-5
    driest = dew_point(a_day[-1].outlet_water_content, a_day[-1].contactor_pressure)
    assert driest < a_day[-1].gas_temperature - 20.0


def test_the_pump_strokes_at_its_rate_whatever_the_time_factor() -> None:
    for factor in (1.0, 40.0):
        state = last(run(seconds=600.0, step=0.25, time_factor=factor))
        assert state.stroke_count == pytest.approx(600.0 * DESIGN.stroke_rate, abs=3)
        assert state.stroke_time == pytest.approx(600.0)
        assert state.process_time - settled().process_time == pytest.approx(600.0 * factor)


def test_the_time_factor_speeds_up_hold_ups_and_nothing_else() -> None:
    """Twenty times faster is the same path in a twentieth of the time."""
    inputs = PlantInputs(burner_stuck_on=True)
    slow = last(run(inputs, seconds=1200.0, step=4.0))
    fast = last(run(inputs, seconds=60.0, step=0.2, time_factor=20.0))
    assert fast.reboiler_temperature == pytest.approx(slow.reboiler_temperature, abs=0.3)
    assert fast.reboiler_temperature - settled().reboiler_temperature > 4.0
    assert fast.ledger.heat_fired == pytest.approx(slow.ledger.heat_fired)
    assert fast.gas_rate == pytest.approx(slow.gas_rate, rel=0.05)
    assert fast.lean_rate == pytest.approx(slow.lean_rate, rel=0.01)


def test_the_steady_state_does_not_depend_on_the_step() -> None:
    coarse = list(run(seconds=10_000.0, step=10.0, seed=4))
    fine = list(run(seconds=10_000.0, step=1.0, seed=4))
    for of in (
        lambda s: s.surge.water_fraction,
        lambda s: s.contactor.water_fraction,
        lambda s: s.surge.mass,
    ):
        assert mean(coarse, of) == pytest.approx(mean(fine, of), rel=0.02)


def test_stroke_instants_are_regular_above_the_stall_rate_and_irregular_below() -> None:
    def spread(inputs: PlantInputs) -> float:
        instants, count = [], 0
        for state in run(inputs, seconds=450.0, step=0.1):
            if state.stroke_count > count:
                count = state.stroke_count
                instants.append(state.stroke_time)
        assert len(instants) > 40
        gaps = [b - a for a, b in itertools.pairwise(instants[5:])]
        average = sum(gaps) / len(gaps)
        return max(abs(gap / average - 1.0) for gap in gaps)

    assert spread(UNDISTURBED) < 0.1
    assert spread(PlantInputs(stroke_rate_factor=0.4)) > 0.15


def test_a_stopped_pump_does_not_stroke() -> None:
    stopping = last(run(PlantInputs(stroke_rate_factor=0.0), seconds=60.0, step=0.1))
    stopped = last(run(PlantInputs(stroke_rate_factor=0.0), seconds=600.0, step=0.1, state=stopping))
    assert stopping.stroke_rate == 0.0
    assert stopped.stroke_count == stopping.stroke_count


def test_the_independent_shutdown_ends_a_burner_that_sticks_on() -> None:
    hottest = max(s.reboiler_temperature for s in run(PlantInputs(burner_stuck_on=True), seconds=20_000.0))
    assert DESIGN.shutdown_temperature - 1.0 < hottest < DESIGN.shutdown_temperature + 1.0


def test_the_same_seed_gives_the_same_plant_and_another_seed_another() -> None:
    first, again = last(run(seconds=900.0, seed=7)), last(run(seconds=900.0, seed=7))
    assert first == again
    other = dataclasses.replace(last(run(seconds=900.0, seed=8, state=settled(7))), stroke_pace=1.0)
    assert other.gas_rate != first.gas_rate


@pytest.mark.parametrize(("dt", "factor"), [(0.0, 1.0), (-1.0, 1.0), (1.0, 0.0)])
def test_a_step_that_is_no_step_is_refused(dt: float, factor: float) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        advance(DESIGN, settled(), dt, UNDISTURBED, Random(0), factor)
