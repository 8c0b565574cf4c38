"""Alarms that a configuration takes away end once, with reason and actor; if they come back, counts go on."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.model import ActionKind, AlarmState
from daemon.monitor.alarms import AlarmEngine
from daemon.monitor.alarms.engine import NOT_CONFIGURED, Departure, check_saved, departed
from tests.daemon.alarms.alarm_kit import START, UNIT, Bench, alarm, write

RELOAD = Departure("the unit was taken out of the site file", "Bo")


def bench_with_three() -> Bench:
    """One alarm that stands, one that is out of service, one that is normal."""
    bench = Bench(
        alarm(title="Level high", priority="high", alarm_class="contract", first_out_group="g"),
        alarm(id="away", title="Away", input="other"),
        alarm(id="normal", input="other", off_delay=60.0),
    )
    bench.act(ActionKind.REMOVE_FROM_SERVICE, 0, name="away", comment="calibration")
    bench.scan(1, 90.0, other=70.0)
    return bench


def test_what_stands_ends_and_what_is_normal_says_nothing() -> None:
    bench = bench_with_three()
    occurrence = bench.shown().occurrence
    ends, _ = departed(UNIT, bench.engine.save(), START + 9.0, RELOAD)
    assert [
        (end.alarm, end.occurrence, end.previous, end.state, end.priority.value, end.alarm_class)
        for end in ends
    ] == [
        ("level_high", occurrence, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL, "high", "contract"),
        ("away", "", AlarmState.OUT_OF_SERVICE, AlarmState.NORMAL, "medium", "equipment"),
    ]
    for end in ends:
        assert (end.unit, end.event, end.time) == (UNIT, "removed from configuration", START + 9.0)
        assert (end.reason, end.actor) == ("the unit was taken out of the site file", "Bo")
    assert [end.message for end in ends] == [
        "Level high: no longer configured",
        "Away: no longer configured",
    ]


def test_a_unit_that_comes_back_begins_in_normal_and_goes_on_counting() -> None:
    bench = bench_with_three()
    _, left = departed(UNIT, bench.engine.save(), START + 9.0, RELOAD)
    assert left == {"version": 1, "time": START + 1, "counter": 1, "alarms": {}}
    assert departed(UNIT, left, START + 10.0, RELOAD) == ((), left)
    bench.engine = AlarmEngine(UNIT, bench.alarms, write)
    assert bench.engine.restore(left, time=START + 10.0, monotonic=bench.boot + 10.0) == ()
    assert [item.state for item in bench.engine.snapshot()] == [AlarmState.NORMAL] * 3
    (raised,) = bench.scan(11, 90.0, other=70.0)
    assert raised.occurrence.endswith(".2")
    assert raised.first_out


@pytest.mark.parametrize("departure", [NOT_CONFIGURED, RELOAD])
def test_one_alarm_of_a_unit_that_stays_ends_in_the_same_way(departure: Departure) -> None:
    bench = bench_with_three()
    saved = bench.engine.save()
    bench.engine = AlarmEngine(UNIT, bench.alarms[1:], write)
    ends = bench.engine.restore(saved, time=START + 9.0, monotonic=0.0, departure=departure)
    assert [(end.alarm, end.reason, end.actor) for end in ends] == [("level_high", *departure)]


def test_nobody_is_named_where_nobody_is_known() -> None:
    assert Departure("why").actor == ""


def test_a_normal_alarm_whose_delay_runs_keeps_neither_priority_nor_words() -> None:
    bench = Bench(alarm(priority="high", alarm_class="contract", on_delay=60.0))
    bench.scan(1, 90.0)
    saved: Any = bench.engine.save()
    assert saved["alarms"] == {"level_high": {"pending": 0.0, "began": START + 1}}


@pytest.mark.parametrize("saved", [{}, {"version": 2, "time": 0.0, "counter": 0, "alarms": {}}])
def test_what_cannot_be_read_is_refused_before_anything_is_built_on_it(saved: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"saved alarms are of version 2|validation error"):
        check_saved(saved)
    with pytest.raises(ValueError, match=r"saved alarms are of version 2|validation error"):
        departed(UNIT, saved, START, RELOAD)


def test_what_was_saved_can_be_read() -> None:
    check_saved(bench_with_three().engine.save())
