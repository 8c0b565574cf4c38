"""Conditions at their edges: which input is missing, whose time counts, what the words say."""

from __future__ import annotations

from typing import Any

import pytest

from config.alarms import ResolvedAlarm, SetPoint
from daemon.model import LinkState, OperatingState, Reading, Result, Status
from daemon.monitor.alarms import AlarmInputs
from daemon.monitor.alarms.conditions import (
    NINETY_NINE_PERCENT,
    Detector,
    Observation,
    Position,
    Watch,
)
from tests.daemon.alarms.alarm_kit import START, Bench, alarm, bad, good, link, predicted_alarm, result, words

BEYOND, BETWEEN, BACK, UNKNOWN = Position.BEYOND, Position.BETWEEN, Position.BACK, Position.UNKNOWN


def look(definition: ResolvedAlarm, **given: Any) -> Observation:
    """Look once, a scan after the source's time: ``results`` and ``links`` by name, signals as they are."""
    results, links = given.pop("results", {}), given.pop("links", {})
    inputs = AlarmInputs(START + 3.0, 50.0, OperatingState.DRYING, given, results, links)
    return Watch(definition).look(inputs)


def test_99_percent_is_the_normal_quantile() -> None:
    """Two-sided 99 % of the normal distribution: z = 2.5758, e.g. Abramowitz and Stegun, table 26.5."""
    assert pytest.approx(2.5758, abs=5e-4) == NINETY_NINE_PERCENT


def test_a_condition_begins_at_the_time_of_its_source() -> None:
    assert look(alarm(), level=good(90.0, START + 1.0)).time == START + 1.0
    calculated = alarm(input="margin", source="result")
    assert look(calculated, results={"margin": result(90.0)}).time == START + 3.0
    quality = alarm(condition="bad quality", setpoint=None)
    assert look(quality, level=bad(time=START + 1.0)).time == START + 1.0


def test_a_bad_input_beside_a_good_one_to_deviate_from_is_unknown() -> None:
    definition = alarm(condition="deviation", deviation_from="second", setpoint=SetPoint(5.0))
    seen = look(definition, level=bad(), second=good(70.0))
    assert seen == Observation(UNKNOWN, None, 5.0, START, "level is bad: open circuit")


def test_a_bad_one_to_deviate_from_is_named() -> None:
    definition = alarm(condition="deviation", deviation_from="second", setpoint=SetPoint(5.0))
    seen = look(definition, level=good(70.0), second=bad())
    assert seen == Observation(UNKNOWN, None, 5.0, START, "second has no usable value")


def test_a_bad_value_without_words_is_told_by_the_name_of_its_status() -> None:
    silent = Reading(None, Status.BAD_SENSOR_FAILURE, START, 0.0)
    assert look(alarm(), level=silent).why == "level is bad: BadSensorFailure"
    assert look(alarm()).why == "level is bad: no value"
    quality = alarm(condition="bad quality", setpoint=None)
    assert look(quality, level=silent).why == "BadSensorFailure"
    assert look(quality, level=bad("open circuit")).why == "open circuit"
    assert look(quality).why == "no value"


def test_a_rate_without_enough_values_names_its_input() -> None:
    definition = alarm(condition="rate high", window=60.0)
    seen = look(definition, level=good(70.0))
    assert (seen.position, seen.value) == (UNKNOWN, None)
    assert seen.why == "too few values of level to tell its rate yet"


def test_a_rate_of_a_bad_input_is_unknown_because_of_the_input() -> None:
    assert look(alarm(condition="rate high", window=60.0), level=bad()).why == "level is bad: open circuit"


def test_a_setpoint_without_value_leaves_the_value_to_be_read() -> None:
    seen = look(alarm(setpoint=SetPoint(0.0, "limit")), level=good(90.0), limit=bad())
    assert seen == Observation(UNKNOWN, 90.0, None, START, "the setpoint has no usable value")


def test_a_deviation_without_its_setpoint_is_not_blamed_on_what_it_deviates_from() -> None:
    definition = alarm(condition="deviation", deviation_from="second", setpoint=SetPoint(0.0, "limit"))
    seen = look(definition, level=good(90.0), second=good(70.0), limit=bad())
    assert seen == Observation(UNKNOWN, 20.0, None, START, "the setpoint has no usable value")


def test_a_setpoint_in_another_state_may_follow_another_value() -> None:
    definition = alarm(setpoint_by_state={"drying": SetPoint(1.0, "load", factor=2.0)})
    assert look(definition, level=good(90.0), load=good(40.0)).setpoint == 81.0
    other = alarm(setpoint_by_state={"heating": SetPoint(1.0, "load", factor=2.0)})
    assert look(other, level=good(90.0), load=good(40.0)).setpoint == 80.0


@pytest.mark.parametrize("value", [0.0, 0.49, 0.5, 0.51, 1.0])
@pytest.mark.parametrize(("condition", "word"), [("state true", "yes"), ("state false", "no")])
def test_a_state_is_true_where_the_message_says_so(condition: str, word: str, value: float) -> None:
    bench = Bench(alarm(condition=condition, setpoint=None))
    bench.scan(1, value)
    assert bench.shown().condition is (bench.shown().message == f"Level high: level: {word}")


def test_a_state_tells_why_where_its_source_does() -> None:
    reading = Reading(1.0, Status.UNCERTAIN_LAST_USABLE_VALUE, START, 0.0, "40 s old")
    assert look(alarm(condition="state true", setpoint=None), level=reading).why == "40 s old"


def predicted(value: float, uncertainty: float | None) -> Observation:
    definition = predicted_alarm(deadband=450.0)
    return look(definition, results={"time_left": Result(value, uncertainty, Status.GOOD)})


@pytest.mark.parametrize(
    ("value", "uncertainty", "position", "why"),
    [
        (899.0, None, BEYOND, "15 min at the earliest"),
        (900.0, 0.0, BETWEEN, "15 min at the earliest"),
        (1350.0, 0.0, BACK, "22 min at the earliest"),
        (1350.0, 1.0, BETWEEN, "22 min at the earliest"),  # 1350 - 2.576
        (600.0, 10_000.0, BEYOND, "0 min at the earliest"),  # never before now
    ],
)
def test_a_prediction_at_its_edges(
    value: float, uncertainty: float | None, position: Position, why: str
) -> None:
    seen = predicted(value, uncertainty)
    assert (seen.position, seen.value, seen.setpoint, seen.why) == (position, value, 900.0, why)


@pytest.mark.parametrize("setpoint", [0.5, 1.0, 60.0])
def test_a_limit_that_may_be_reached_now_is_nearer_than_any_setpoint(setpoint: float) -> None:
    definition = alarm(input="t", source="result", condition="predicted", setpoint=SetPoint(setpoint))
    assert look(definition, results={"t": Result(600.0, 10_000.0, Status.GOOD)}).position is BEYOND


def test_a_limit_needs_no_words() -> None:
    assert look(alarm(), level=good(90.0)).why == ""


def test_what_a_lost_controller_means_for_its_signal_and_for_itself() -> None:
    quality = alarm(condition="bad quality", setpoint=None, controller="plc")
    lost = {"plc": link(LinkState.DOWN, "no answer")}
    assert look(quality, level=bad(time=START + 1.0), links=lost) == Observation(
        UNKNOWN, None, None, START + 1.0, "controller plc is not connected"
    )
    # Another controller's loss, or a controller of which nothing is known, explains nothing.
    assert look(quality, level=bad(), links={"other": link(LinkState.DOWN)}).position is BEYOND
    assert look(quality, level=bad(), links={"plc": link(LinkState.DEGRADED)}).position is BEYOND
    itself = alarm(input="plc", source="link", condition="link down", setpoint=None)
    assert look(itself) == Observation(
        UNKNOWN, None, None, START + 3.0, "no state of the connection is known"
    )
    assert look(itself, links={"plc": link(LinkState.UP)}).why == "up"


@pytest.mark.parametrize(
    ("condition", "before", "position"),
    [
        ("high", 90.0, BEYOND),
        ("high", 80.0, UNKNOWN),  # at the set point is not beyond it
        ("high", None, UNKNOWN),  # the first look: nothing is known of where it came from
        ("low", 70.0, BEYOND),
        ("low", 90.0, UNKNOWN),
    ],
)
def test_what_leaves_its_range_is_judged_by_where_it_was(
    condition: str, before: float | None, position: Position
) -> None:
    watch = Watch(alarm(condition=condition, deadband=5.0))
    gone = Reading(None, Status.BAD_OUT_OF_RANGE, START, 0.0, "reads 121")
    levels = [gone] if before is None else [good(before), gone]
    seen = [
        watch.look(AlarmInputs(START, 0.0, OperatingState.DRYING, {"level": level}, {})) for level in levels
    ]
    assert (seen[-1].position, seen[-1].value, seen[-1].setpoint) == (position, None, 80.0)
    assert seen[-1].why == "level is bad: reads 121"


def test_a_value_that_is_gone_altogether_has_not_left_its_range() -> None:
    watch = Watch(alarm())
    seen = [
        watch.look(AlarmInputs(START, 0.0, OperatingState.DRYING, signals, {})).position
        for signals in ({"level": good(90.0)}, {})
    ]
    assert seen == [BEYOND, UNKNOWN]


def test_good_again_shows_the_value() -> None:
    quality = alarm(condition="bad quality", setpoint=None)
    assert look(quality, level=good(20.0)) == Observation(BACK, 20.0, None, START)


def test_an_uncertain_value_is_not_bad_quality() -> None:
    old = Reading(20.0, Status.UNCERTAIN_LAST_USABLE_VALUE, START, 0.0, "old")
    assert look(alarm(condition="bad quality", setpoint=None), level=old).position is BACK


def test_a_detector_tells_how_long_its_delay_has_run_and_when_the_condition_began() -> None:
    detector = Detector()
    told = [detector.pending]
    for at, position in ((100.0, BEYOND), (104.0, BEYOND), (109.0, UNKNOWN), (115.0, BEYOND)):
        detector.update(Observation(position, None, None, START + at), at, 10.0, 0.0)
        told.append(detector.pending)
    assert told == [None, 0.0, 4.0, 4.0, None]
    assert detector.active
    assert detector.began == START + 100.0


@pytest.mark.parametrize(("late", "raised"), [(-0.001, False), (0.0, True), (0.001, True)])
def test_a_delay_is_over_to_the_millisecond(late: float, raised: bool) -> None:
    detector = Detector()
    seen = Observation(BEYOND, None, None, START)
    detector.update(seen, 0.0, 15.0, 0.0)
    assert detector.update(seen, 15.0 + late, 15.0, 0.0) is raised


def test_unknown_at_once_after_a_restart_does_not_count_either() -> None:
    detector = Detector()
    detector.resume(active=False, pending=4.0, began=START, now=900.0)
    seen = Observation(BEYOND, None, None, START)
    assert not detector.update(seen._replace(position=UNKNOWN), 950.0, 5.0, 0.0)
    assert not detector.update(seen, 950.5, 5.0, 0.0)
    assert detector.update(seen, 951.0, 5.0, 0.0)
    assert detector.began == START


def test_a_result_that_is_absent_gives_way_to_a_signal_of_its_name_as_reference() -> None:
    definition = alarm(setpoint=SetPoint(0.0, "floor"))
    assert look(definition, level=good(90.0), floor=good(70.0)).setpoint == 70.0
    seen = look(definition, level=good(90.0), floor=good(70.0), results={"floor": result(60.0)})
    assert seen.setpoint == 60.0


def test_two_delays_one_alarm() -> None:
    bench = Bench(alarm(on_delay=2.0, off_delay=5.0))
    steps = [
        words(bench.scan(at, level))
        for at, level in ((0, 90.0), (2, 90.0), (3, 70.0), (7.9, 70.0), (8, 70.0))
    ]
    assert steps == [
        [],
        [("level_high", "condition true", "UNACK")],
        [],
        [],
        [("level_high", "condition false", "RTNUN")],
    ]
