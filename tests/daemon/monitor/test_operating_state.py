"""The operating state: the table row by row, hysteresis, settling, and what bad data do."""

from __future__ import annotations

import itertools
import json

import pytest

from daemon.model import OperatingState, Reading, Result, Status
from daemon.monitor.operating_state import SETTLING, Conditions, Hysteresis, OperatingStateMachine, judge
from tests.daemon.monitor.plant import NORMAL, bad, good

S = OperatingState
SET_POINT = 469.26
COLD_GLYCOL, WARM_GLYCOL = 300.0, 420.0


def conditions(text: str) -> Conditions:
    """Write six conditions as + (true), - (false), ? (unknown): flowing bypass circulating hot warm fired."""
    return Conditions(*({"+": True, "-": False, "?": None}[letter] for letter in text))


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("+-++++", S.DRYING),
        ("+--+++", S.DRYING),  # the pump stands while gas flows: its alarm stays in force
        ("+-+---", S.DRYING),  # the reboiler is cold while gas flows: its alarm stays in force
        ("+-????", S.DRYING),
        ("++++++", S.BYPASS_OPEN),
        ("++-+++", S.BYPASS_OPEN),  # the pump stands while gas flows: its alarm stays in force
        ("++-++-", S.BYPASS_OPEN),
        ("++--+-", S.BYPASS_OPEN),
        ("++---+", S.BYPASS_OPEN),
        ("+++---", S.BYPASS_OPEN),
        ("++----", S.SHUT_IN),  # by-passed, cold and off: the gas on the meter goes round it
        ("++?---", S.UNKNOWN),
        ("--++++", S.READY),
        ("---+++", S.READY),
        ("--+--+", S.HEATING),
        ("--+-++", S.HEATING),
        ("--+-+-", S.COOLING_DOWN),
        ("----+-", S.COOLING_DOWN),
        ("--+---", S.COLD),
        ("------", S.SHUT_IN),
        ("?-----", S.UNKNOWN),
        ("+?++++", S.UNKNOWN),
        ("-----?", S.UNKNOWN),
        ("--?---", S.UNKNOWN),
        ("--?+++", S.READY),
        ("---?--", S.UNKNOWN),
        ("??????", S.UNKNOWN),
    ],
)
def test_table(text: str, state: OperatingState) -> None:
    assert judge(conditions(text)) is state


def test_more_knowledge_never_contradicts_a_known_state() -> None:
    """If the state is known with some conditions open, closing them either way must not change it."""
    for letters in itertools.product("+-?", repeat=6):
        text = "".join(letters)
        state = judge(conditions(text))
        if state is S.UNKNOWN or "?" not in text:
            continue
        for answer in "+-":
            assert judge(conditions(text.replace("?", answer, 1))) is state, text


def test_gas_through_the_contactor_always_counts_as_drying() -> None:
    for rest in itertools.product("+-?", repeat=4):
        assert judge(conditions("+-" + "".join(rest))) is S.DRYING


def test_a_pump_that_stops_with_the_bypass_open_keeps_the_state_in_which_its_alarm_is_in_force() -> None:
    unit = Unit(bypass_open=1.0)
    assert unit.run(1) is S.BYPASS_OPEN
    unit.rate = 0.0
    assert {unit.run(60) for _ in range(120)} == {S.BYPASS_OPEN}


def test_hysteresis() -> None:
    condition = Hysteresis(on=10.0, off=8.0)
    assert [condition.update(value) for value in (9.0, 10.0, 9.0, 7.9, 9.0, None, 10.0)] == [
        False, True, True, False, False, None, True,
    ]  # fmt: skip


class Unit:
    """A machine under test and the values it sees, a scan a second."""

    def __init__(self, **values: float) -> None:
        self.machine = OperatingStateMachine(SET_POINT, 3.0, 1e-6, [*NORMAL, "bypass_open"])
        self.values: dict[str, float | Reading] = {**NORMAL, "bypass_open": 0.0, **values}
        self.rate: float | None = 0.2
        self.now = 0.0

    def run(self, seconds: float) -> OperatingState:
        end = self.now + seconds
        while self.now < end:
            self.now += 1.0
            readings = {
                name: value if isinstance(value, Reading) else good(value, self.now)
                for name, value in self.values.items()
            }
            status = Status.GOOD if self.rate is not None else Status.BAD_DEPENDENT_VALUE_CHANGED
            self.machine.update(readings, {"stroke_rate": Result(self.rate, 0.0, status)}, self.now)
        return self.machine.state


def test_a_start_up_and_a_shutdown_in_order() -> None:
    unit = Unit(gas_rate=0.0, reboiler_temperature=COLD_GLYCOL, burner_on=0.0)
    unit.rate = 0.0
    assert unit.run(1) is S.SHUT_IN
    story: list[tuple[dict[str, float], float, OperatingState]] = [
        ({}, 0.2, S.COLD),
        ({"burner_on": 1.0}, 0.2, S.HEATING),
        ({"reboiler_temperature": WARM_GLYCOL}, 0.2, S.HEATING),
        ({"reboiler_temperature": 465.0}, 0.2, S.READY),
        ({"gas_rate": 1.6, "bypass_open": 1.0}, 0.2, S.BYPASS_OPEN),
        ({"bypass_open": 0.0}, 0.2, S.DRYING),
        ({"burner_on": 0.0, "reboiler_temperature": WARM_GLYCOL}, 0.2, S.DRYING),
        ({"gas_rate": 0.0}, 0.2, S.COOLING_DOWN),
        ({"reboiler_temperature": 380.0}, 0.2, S.COLD),
        ({}, 0.0, S.SHUT_IN),
    ]
    for values, rate, state in story:
        unit.values |= values
        unit.rate = rate
        assert unit.run(400) is state, values


def test_a_thermostat_that_cycles_changes_nothing() -> None:
    unit = Unit(gas_rate=0.0)
    assert unit.run(1) is S.READY
    for cycle in range(20):
        unit.values["burner_on"] = float(cycle % 2)
        unit.values["reboiler_temperature"] = SET_POINT + (3.0 if cycle % 2 else -12.0)
        assert unit.run(120) is S.READY


def test_a_dip_of_the_gas_shorter_than_settling_suppresses_nothing() -> None:
    unit = Unit()
    assert unit.run(1) is S.DRYING
    unit.values["gas_rate"] = 0.0
    assert unit.run(SETTLING[S.READY] - 5.0) is S.DRYING
    unit.values["gas_rate"] = 1.6
    assert unit.run(5) is S.DRYING
    unit.values["gas_rate"] = 0.0
    assert unit.run(SETTLING[S.READY] - 5.0) is S.DRYING
    assert unit.run(10) is S.READY


def test_bad_data_make_it_unknown_after_a_while_and_it_comes_back() -> None:
    unit = Unit()
    assert unit.run(1) is S.DRYING
    unit.values["gas_rate"] = bad(0.0)
    assert unit.run(SETTLING[S.UNKNOWN] - 1.0) is S.DRYING
    assert unit.run(3) is S.UNKNOWN
    unit.values["gas_rate"] = 1.6
    assert unit.run(SETTLING[S.DRYING] + 2.0) is S.DRYING


def test_without_any_good_data_it_is_unknown() -> None:
    unit = Unit(gas_rate=0.0)
    unit.values["gas_rate"] = bad(0.0)
    unit.rate = None
    assert unit.run(100) is S.UNKNOWN


def test_without_a_flame_signal_the_trend_tells_heating_from_cooling() -> None:
    for slope, state in ((0.05, S.HEATING), (-0.05, S.COOLING_DOWN)):
        machine = OperatingStateMachine(SET_POINT, 3.0, 1e-6, ["gas_rate", "reboiler_temperature"])
        for second in range(1200):
            readings = {
                "gas_rate": good(0.0, second),
                "reboiler_temperature": good(WARM_GLYCOL + slope * second * 0.5, second),
            }
            machine.update(readings, {"stroke_rate": Result(0.2, 0.0, Status.GOOD)}, float(second))
        assert machine.state is state


def test_a_glycol_meter_stands_in_for_strokes() -> None:
    machine = OperatingStateMachine(SET_POINT, 3.0, 1e-6, [*NORMAL, "lean_glycol_rate"])
    readings = {name: good(value, 0.0) for name, value in NORMAL.items()}
    readings |= {"gas_rate": good(0.0, 0.0), "burner_on": good(0.0, 0.0)}
    readings["reboiler_temperature"] = good(COLD_GLYCOL, 0.0)
    for rate, state in ((2e-5, S.COLD), (5e-7, S.SHUT_IN)):
        readings["lean_glycol_rate"] = good(rate, 0.0)
        found = machine.conditions(readings, {}, 0.0)
        assert judge(found) is state


def test_state_survives_json_at_every_step() -> None:
    straight, broken = Unit(), Unit()
    for gas in (1.6, 0.0, 0.0, 1.6, 0.0, 0.0, 0.0, 0.0, 0.0):
        for unit in (straight, broken):
            unit.values["gas_rate"] = gas
            unit.run(17)
        assert broken.machine.save() == straight.machine.save()
        saved = json.loads(json.dumps(broken.machine.save(), allow_nan=False))
        broken.machine = OperatingStateMachine(SET_POINT, 3.0, 1e-6, [*NORMAL, "bypass_open"])
        broken.machine.restore(saved)
