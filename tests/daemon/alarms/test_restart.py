"""Save and restore: a restart neither raises an old alarm again nor forgets one."""

from __future__ import annotations

from typing import Any

import pytest

from config.alarms import SetPoint
from daemon.model import ActionKind, AlarmState, OperatingState, Priority
from daemon.monitor.alarms import AlarmEngine
from tests.daemon.alarms.alarm_kit import START, UNIT, Bench, alarm, as_json, words, write


def test_an_untouched_engine_saves_next_to_nothing() -> None:
    bench = Bench(alarm(), alarm(id="second"))
    bench.scan(1, 70.0)
    assert bench.engine.save() == {"version": 1, "time": START + 1, "counter": 0, "alarms": {}}


@pytest.mark.parametrize("acknowledged", [False, True])
def test_an_alarm_under_way_is_neither_raised_again_nor_forgotten(acknowledged: bool) -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    occurrence = bench.shown().occurrence
    if acknowledged:
        bench.acknowledge(2, comment="seen")
    before = bench.shown()
    bench.restart(downtime=60.0)
    assert bench.scan(bench.at, 90.0) == ()
    after = bench.shown()
    assert (after.state, after.occurrence, after.raised) == (before.state, occurrence, START + 1)
    assert after.acknowledgement == before.acknowledgement
    assert (bench.acknowledge(occurrence=occurrence) == ()) is acknowledged
    (step,) = bench.scan(bench.at + 1, 70.0)
    assert (step.state, step.occurrence) == (AlarmState.NORMAL, occurrence)


def test_a_condition_that_went_while_the_daemon_was_down_is_reported_gone() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    bench.restart(downtime=3600.0)
    assert words(bench.scan(bench.at, 70.0)) == [("level_high", "condition false", "RTNUN")]


def test_new_occurrences_go_on_counting() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    first = bench.shown().occurrence
    bench.restart()
    bench.scan(bench.at, 70.0)
    bench.scan(bench.at, 90.0)
    assert bench.shown().occurrence.endswith(".2")
    assert bench.shown().occurrence != first


@pytest.mark.parametrize(
    ("downtime", "clock_step", "left"),
    [
        (0.0, 0.0, 3000.0),
        (1000.0, 0.0, 2000.0),  # the UTC deadline is the earlier one
        (1000.0, -5000.0, 3000.0),  # the clock was set back: the remaining seconds are
        (4000.0, 0.0, 0.0),
    ],
)
def test_of_deadline_and_remaining_seconds_the_earlier_counts(
    downtime: float, clock_step: float, left: float
) -> None:
    bench = Bench(alarm())
    bench.shelve(0, duration=3600.0)
    bench.scan(600, 70.0)
    saved = bench.engine.save()
    time = START + 600 + downtime + clock_step
    bench.engine = AlarmEngine(UNIT, bench.alarms, write)
    bench.engine.restore(saved, time=time, monotonic=50.0)
    bench.boot = 50.0
    if left:
        assert bench.scan(left - 1, 70.0) == ()
    assert words(bench.scan(left, 70.0)) == [("level_high", "unshelved", "NORM")]


def test_delays_go_on_without_the_downtime() -> None:
    bench = Bench(alarm(on_delay=10.0))
    bench.scan(0, 90.0)
    bench.scan(6, 90.0)
    bench.restart(downtime=3600.0)
    start = bench.at
    assert bench.scan(start + 3, 90.0) == ()
    assert words(bench.scan(start + 4, 90.0)) == [("level_high", "condition true", "UNACK")]


def test_a_repetition_is_due_by_the_time_that_has_really_passed() -> None:
    bench = Bench(alarm(priority="highest", re_alarm=600.0))
    bench.scan(0, 90.0)
    bench.scan(100, 90.0)
    bench.restart(downtime=300.0)
    start = bench.at
    assert bench.scan(start + 199, 90.0) == ()
    assert words(bench.scan(start + 200, 90.0)) == [("level_high", "re-alarmed", "UNACK")]


def test_suppression_and_notes_survive() -> None:
    bench = Bench(alarm(states=frozenset({"drying"})), alarm(id="away"))
    bench.act(ActionKind.REMOVE_FROM_SERVICE, 0, name="away", comment="calibration")
    bench.state = OperatingState.SHUT_IN
    bench.scan(1, 90.0)
    bench.restart()
    assert bench.shown().suppression == "not in force while the unit is shut in"
    assert bench.shown("away").service_note == "Ada: calibration"
    assert bench.scan(bench.at, 90.0) == ()


def test_first_out_survives() -> None:
    bench = Bench(
        alarm(id="a", input="a", first_out_group="g"), alarm(id="b", input="b", first_out_group="g")
    )
    bench.scan(1, a=90.0, b=70.0)
    bench.restart()
    assert bench.shown("a").first_out
    (step,) = bench.scan(bench.at + 5, a=90.0, b=90.0)
    assert (step.first_out, step.reason) == (False, "condition true at once; 5.0 s after a")


def test_the_begin_of_a_condition_that_is_pending_survives() -> None:
    bench = Bench(
        alarm(id="quick", input="b", on_delay=2.0, first_out_group="g"),
        alarm(id="slow", input="a", on_delay=5.0, first_out_group="g"),
    )
    bench.scan(0, a=90.0, b=70.0)
    bench.restart()
    bench.scan(bench.at + 3, a=90.0, b=90.0)
    steps = bench.scan(bench.at + 2, a=90.0, b=90.0)
    assert [(step.alarm, step.first_out) for step in steps] == [("quick", False), ("slow", True)]
    assert steps[0].reason == "condition true for 2 s; 3.0 s after slow"


def test_a_rate_goes_on() -> None:
    bench = Bench(alarm(condition="rate high", window=60.0, setpoint=SetPoint(30.0)))
    for second in range(40):
        bench.scan(second, 0.2 * second)
    bench.restart(downtime=1.0)
    bench.scan(bench.at, 0.2 * bench.at)
    assert bench.shown().value == pytest.approx(12.0)


def test_an_alarm_that_is_no_longer_configured_ends_visibly() -> None:
    bench = Bench(alarm(priority="high"), alarm(id="quiet", input="other"))
    bench.scan(1, 90.0, other=70.0)
    bench.acknowledge(2, name="level_high")
    bench.scan(3, 90.0, other=90.0)
    bench.scan(4, 90.0, other=70.0)
    bench.acknowledge(5, name="quiet")
    occurrence = bench.shown().occurrence
    bench.alarms = (alarm(id="another"),)
    (end,) = bench.restart()
    assert (end.alarm, end.occurrence, end.previous, end.state) == (
        "level_high",
        occurrence,
        AlarmState.ACKNOWLEDGED,
        AlarmState.NORMAL,
    )
    assert (end.priority, end.message) == (Priority.HIGH, "Level high: no longer configured")
    assert [item.state for item in bench.engine.snapshot()] == [AlarmState.NORMAL]


@pytest.mark.parametrize(
    "saved",
    [
        {},
        {"version": 2, "time": 0.0, "counter": 0, "alarms": {}},
        {"version": 1, "time": "soon", "counter": 0, "alarms": {}},
        {"version": 1, "time": 0.0, "counter": 0, "alarms": {"level_high": {"life": {"shown": "GONE"}}}},
    ],
)
def test_what_save_did_not_make_is_refused(saved: dict[str, Any]) -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    before = bench.engine.save()
    with pytest.raises(ValueError, match=r"saved|validation error"):
        bench.engine.restore(saved, time=START, monotonic=0.0)
    assert bench.engine.save() == before


def test_saving_what_was_restored_is_the_identity() -> None:
    bench = Bench(alarm(on_delay=8.0, first_out_group="g"), alarm(id="second", first_out_group="g"))
    bench.scan(1, 90.0)
    bench.acknowledge(2, name="second")
    bench.shelve(3, name="second", duration=64.0)
    bench.scan(4, 90.0)
    before = bench.engine.save()
    bench.restart(boot=1024.0)
    assert as_json(bench.engine.save()) == as_json(before)
