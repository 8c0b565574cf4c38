from __future__ import annotations

import dataclasses
import itertools
import statistics
from random import Random

import pytest

from config.quantities import SIGNAL_KINDS
from daemon.fieldsim.instruments import (
    EXACT,
    Fault,
    Instrument,
    Panel,
    has_signal,
    instrument_for,
    observe,
    true_value,
)
from daemon.fieldsim.state import PlantInputs, PlantState
from tests.support.narrow import present
from tests.support.simulated_plant import DESIGN, run, settled

NAME = "reboiler_temperature"
SPAN = (255.37, 533.15)  # 0 to 500 degF


def look(
    instrument: Instrument,
    panel: Panel | None = None,
    fault: Fault | None = None,
    dt: float = 1.0,
    seed: int = 0,
    name: str = NAME,
    state: PlantState | None = None,
) -> Panel:
    faults = {name: fault} if fault else {}
    return observe({name: instrument}, DESIGN, state or settled(), panel or Panel(), dt, faults, Random(seed))


NOT_PLAYED = {"stroke_pulse"}  # a message once a stroke: the simulated devices publish by period


@pytest.mark.parametrize("name", sorted(SIGNAL_KINDS.keys() - NOT_PLAYED))
def test_the_plant_has_every_signal_that_the_calculation_knows(name: str) -> None:
    value = true_value(name, DESIGN, settled())
    shown = look(instrument_for(name), name=name).shown[name]
    assert shown == pytest.approx(value, rel=0.05, abs=0.3)


def test_what_is_not_played_is_known_as_such() -> None:
    assert {name for name in SIGNAL_KINDS if not has_signal(name)} == NOT_PLAYED


def test_readings_come_in_the_steps_of_the_converter_and_scatter_about_the_truth() -> None:
    instrument = instrument_for(NAME, SPAN)
    rng = Random(3)
    read = [
        observe({NAME: instrument}, DESIGN, settled(), Panel(), 1.0, {}, rng).shown[NAME] for _ in range(400)
    ]
    shown = [present(value) for value in read]
    steps = [(value - SPAN[0]) / instrument.step for value in shown]
    assert all(abs(step - round(step)) < 1e-6 for step in steps)
    assert statistics.mean(shown) == pytest.approx(settled().reboiler_temperature, abs=0.03)
    assert 1 < len(set(shown)) < 30


def test_a_lagging_instrument_follows_by_its_time_constant() -> None:
    cold = dataclasses.replace(settled(), reboiler_temperature=400.0)
    instrument = Instrument(0.0, 1000.0, lag=10.0, step=0.001)
    panel = look(instrument, state=cold)
    panel = look(instrument, panel, dt=10.0)
    hot = settled().reboiler_temperature
    assert panel.shown[NAME] == pytest.approx(hot - (hot - 400.0) / 2.718281828, abs=0.01)


def test_a_frozen_transmitter_keeps_its_value_while_the_plant_moves_on() -> None:
    instrument = instrument_for(NAME, SPAN)
    panel = look(instrument)
    before = panel.shown[NAME]
    for seed, state in enumerate(run(PlantInputs(burner_out=True), seconds=200.0)):
        panel = look(instrument, panel, "frozen", seed=seed, state=state)
        assert panel.shown[NAME] == before
    assert abs(panel.lagged[NAME] - present(before)) > 0.5  # the element itself did move


def test_a_failed_transmitter_leaves_its_range_and_a_bad_one_has_no_value() -> None:
    instrument = instrument_for(NAME, SPAN)
    # 3.5 and 21.5 mA on a 4-20 mA loop: outside what NAMUR NE 43 allows for a measurement (from memory).
    width = SPAN[1] - SPAN[0]
    assert look(instrument, fault="low").shown[NAME] == pytest.approx(SPAN[0] - width * 0.5 / 16.0)
    assert look(instrument, fault="high").shown[NAME] == pytest.approx(SPAN[1] + width * 1.5 / 16.0)
    assert look(instrument, fault="bad").shown[NAME] is None


def test_a_measurement_beyond_the_span_saturates_the_loop() -> None:
    small = Instrument(300.0, 400.0, step=0.025)
    assert look(small).shown[NAME] == pytest.approx(400.0 + 100.0 * 0.5 / 16.0)


def test_counters_and_contacts_are_exact() -> None:
    assert instrument_for("stroke_count") == EXACT
    assert instrument_for("burner_on") == EXACT
    states = list(run(seconds=20.0, step=0.05))
    forward, back = (
        [present(look(EXACT, name=name, state=state).shown[name]) for state in states]
        for name in ("stroke_switch", "stroke_switch_return")
    )
    assert set(forward) == set(back) == {0.0, 1.0}
    assert all(a + b < 2.0 for a, b in zip(forward, back, strict=True))  # never at both ends at once
    closings = sum(b > a for a, b in itertools.pairwise(forward))
    assert closings == pytest.approx(states[-1].stroke_count, abs=1)
