"""The monitor's time line over stray scans, restarts, reboots and stepped clocks."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.model import Reading, Status
from daemon.monitor.moment import Moment, TimeLine
from tests.daemon.monitor.plant import START


def now(line: TimeLine, time: float, monotonic: float) -> float | None:
    found = line.advance(START + time, monotonic)
    return None if found is None else found.now


def restored(line: TimeLine) -> TimeLine:
    other = TimeLine()
    other.restore(json.loads(json.dumps(line.save())))
    return other


def test_in_order_it_is_the_scans_own_clock() -> None:
    line = TimeLine()
    assert [now(line, at, 50.0 + at) for at in (0.0, 1.0, 2.5)] == [50.0, 51.0, 52.5]


def test_a_stray_scan_is_refused_and_the_line_goes_on() -> None:
    line = TimeLine()
    now(line, 0.0, 50.0)
    now(line, 1.0, 51.0)
    assert now(line, 0.0, 50.0) is None
    assert now(line, 1.0, 51.0) is None
    assert now(line, 2.0, 52.0) == 52.0


def test_a_stepped_wall_clock_does_not_matter() -> None:
    line = TimeLine()
    now(line, 0.0, 50.0)
    assert now(line, -3600.0, 51.0) == 51.0
    assert now(line, 7200.0, 52.0) == 52.0


def test_a_new_run_of_the_clock_in_replayed_history() -> None:
    line = TimeLine()
    now(line, 0.0, 9000.0)
    assert now(line, 60.0, 12.0) == 9060.0
    assert now(line, 61.0, 13.0) == 9061.0


def test_a_new_run_with_a_wall_clock_that_was_set_back_is_seen_at_its_second_scan() -> None:
    line = TimeLine()
    now(line, 0.0, 9000.0)
    assert now(line, -100.0, 12.0) is None
    assert now(line, -99.0, 13.0) == 9000.0
    assert now(line, -98.0, 14.0) == 9001.0


@pytest.mark.parametrize(
    ("wall", "monotonic", "expected"),
    [
        (5.0, 55.0, 55.0),  # restarted within the same run of the clock
        (3600.0, 3650.0, 3650.0),
        (3600.0, 20.0, 3650.0),  # rebooted: the wall clock tells how long it was away
        (-50.0, 20.0, 50.0),  # rebooted without a battery: nobody knows; no time has passed
        (3600.0, 100.0, 100.0),  # both went on but disagree: the shorter
        (10.0, 5000.0, 60.0),
    ],
)
def test_restored(wall: float, monotonic: float, expected: float) -> None:
    line = TimeLine()
    now(line, 0.0, 50.0)
    line = restored(line)
    line.resume(START + wall, monotonic)
    assert line.at(START + wall, monotonic).now == pytest.approx(expected)
    assert now(line, wall + 1.0, monotonic + 1.0) == pytest.approx(expected + 1.0)


def test_an_operators_request_lies_between_scans() -> None:
    line = TimeLine()
    now(line, 0.0, 50.0)
    assert line.at(START + 0.4, 50.4).now == 50.4
    assert line.at(START - 9.0, 49.0).now == 50.0, "never before the newest scan"
    assert now(line, 0.2, 50.2) == 50.2, "and does not make the next scan late"


@given(
    st.lists(
        st.tuples(st.floats(-100.0, 1000.0), st.floats(0.0, 1e4), st.booleans()), min_size=1, max_size=30
    )
)
def test_it_never_goes_back(story: list[tuple[float, float, bool]]) -> None:
    line, last, wall = TimeLine(), -1.0, 0.0
    for step, monotonic, restart in story:
        wall += step
        if restart:
            line = restored(line)
        found = now(line, wall, monotonic)
        if found is not None:
            assert found >= last - 1e-6
            last = found


@pytest.mark.parametrize(
    ("lag", "expected"),
    [(0.0, 99.0), (0.4, 98.6), (9.0, 90.0), (11.0, 99.0), (-3.0, 99.0)],
    ids=["at once", "network jitter", "slow network", "buffered", "clock ahead"],
)
def test_a_sane_stamp_places_a_reading(lag: float, expected: float) -> None:
    moment = Moment(START + 100.0, 100.0, 100.0, 0.0)
    reading = Reading(1.0, Status.GOOD, START + 99.0 - lag, 99.0)
    assert moment.measured(reading, stamped=True, longest_lag=10.0) == pytest.approx(expected)
    assert moment.measured(reading, stamped=False, longest_lag=10.0) == 99.0
