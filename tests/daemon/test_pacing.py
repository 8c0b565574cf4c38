"""A unit is scanned right after its slowest controller, on time when one is silent, and never twice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.pacing import (
    FIRST_PATIENCE,
    JUDGED,
    LARGEST_STRETCH,
    LATE,
    PROBE_PERIOD,
    LoadGovernor,
    ScanPacer,
)


def test_a_scan_follows_the_last_report() -> None:
    pacer = ScanPacer(frozenset({"a", "b"}), period=1.0, start=100.0)

    assert not pacer.cycle("a", 100.0)
    assert pacer.cycle("b", 100.1)
    assert pacer.taken(100.1) == pytest.approx(0.1)
    assert pacer.due == pytest.approx(101.1)


def test_a_second_report_within_the_period_does_not_scan_again() -> None:
    pacer = ScanPacer(frozenset({"fast"}), period=1.0, start=100.0)
    assert pacer.cycle("fast", 100.0)
    pacer.taken(100.0)

    assert not pacer.cycle("fast", 100.2)
    assert not pacer.cycle("fast", 100.6)
    assert pacer.cycle("fast", 100.8)


def test_a_silent_controller_delays_by_half_a_period_at_most() -> None:
    pacer = ScanPacer(frozenset({"alive", "dead"}), period=1.0, start=100.0)

    for second in range(5):
        assert not pacer.cycle("alive", 100.0 + second)
        assert pacer.deadline == pytest.approx(100.5 + second)
        pacer.taken(100.5 + second)

    assert pacer.missed == 0


def test_without_polled_controllers_the_grid_does_not_drift() -> None:
    pacer = ScanPacer(frozenset(), period=1.0, start=100.0)

    for second in range(50):
        assert pacer.deadline == pytest.approx(100.0 + second)
        pacer.taken(100.0 + second + 0.04)  # the loop is always a little late


def test_missed_periods_are_counted_not_made_up_for() -> None:
    pacer = ScanPacer(frozenset(), period=1.0, start=100.0)

    assert pacer.taken(104.3) == pytest.approx(4.3)

    assert pacer.missed == 3
    assert pacer.due == pytest.approx(104.0)


@given(
    delays=st.lists(st.floats(0.0, 30.0), min_size=1, max_size=40),
    period=st.floats(0.05, 10.0),
    polled=st.booleans(),
)
def test_every_period_is_either_scanned_or_counted(delays: list[float], period: float, polled: bool) -> None:
    pacer = ScanPacer(frozenset({"a"} if polled else ()), period, start=0.0)
    now = 0.0

    for number, delay in enumerate(delays, start=1):
        now = max(now, pacer.deadline) + delay
        pacer.taken(now)
        assert pacer.due == pytest.approx((number + pacer.missed) * period)
        assert pacer.due >= now - period


def test_a_stretched_pacer_scans_once_in_so_many_periods_and_counts_the_others() -> None:
    pacer = ScanPacer(frozenset({"a"}), period=1.0, start=100.0)
    pacer.stretch = 3
    taken = []
    for second in range(10):
        now = 100.0 + second
        if pacer.cycle("a", now):
            pacer.taken(now)
            taken.append(second)

    assert taken == [0, 3, 6, 9]
    assert pacer.missed == 8  # two behind each scan


def test_a_report_of_a_period_that_is_left_out_does_not_complete_the_next_scan() -> None:
    pacer = ScanPacer(frozenset({"a", "b"}), period=1.0, start=100.0)
    pacer.stretch = 4
    pacer.taken(100.5)  # on its deadline: due again at 104
    assert not pacer.cycle("a", 101.0)
    assert not pacer.cycle("b", 104.0)
    assert pacer.cycle("a", 104.1)


@given(
    delays=st.lists(st.floats(0.0, 30.0), min_size=1, max_size=40),
    stretches=st.lists(st.sampled_from([1, 2, 4, 8]), min_size=40, max_size=40),
)
def test_every_period_is_scanned_or_counted_whatever_the_stretch(
    delays: list[float], stretches: list[int]
) -> None:
    pacer = ScanPacer(frozenset(), 1.0, start=0.0)
    now = 0.0
    for number, (delay, stretch) in enumerate(zip(delays, stretches, strict=False), start=1):
        now = max(now, pacer.deadline) + delay
        pacer.stretch = stretch
        pacer.taken(now)
        assert pacer.due == pytest.approx(number + pacer.missed)


class Box:
    """A box whose timers run late by what a stretch leaves of its load."""

    def __init__(self, *lags: float) -> None:
        self.governor = LoadGovernor()
        self.lags = dict(zip((1, 2, 4, 8), lags, strict=False))
        self.now = 0.0
        self.changes: list[tuple[float, int]] = []

    def run(self, seconds: float) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now += PROBE_PERIOD
            if self.governor.observe(self.lags.get(self.governor.stretch, 0.001), self.now):
                self.changes.append((self.now, self.governor.stretch))


def test_a_box_that_keeps_up_is_left_alone() -> None:
    box = Box(LATE)
    box.run(1000.0)
    assert box.changes == []


def test_a_moment_of_lateness_changes_nothing() -> None:
    governor = LoadGovernor()
    late = [30.0 if n % 3 == 0 else 0.01 for n in range(300)]
    assert not any(governor.observe(lag, n * PROBE_PERIOD) for n, lag in enumerate(late))


def test_one_long_pause_changes_nothing() -> None:
    governor = LoadGovernor()
    before = [governor.observe(0.01, n * PROBE_PERIOD) for n in range(100)]
    after = [governor.observe(0.01, 3600.0 + n * PROBE_PERIOD) for n in range(100)]
    assert not any([*before, governor.observe(3500.0, 3600.0 - PROBE_PERIOD), *after])


def test_scans_are_slowed_until_the_box_keeps_up_and_no_further() -> None:
    box = Box(2.0, 0.5, 0.07)
    box.run(300.0)
    assert [stretch for _, stretch in box.changes] == [2, 4]
    assert box.changes[0][0] == pytest.approx(JUDGED, abs=2 * PROBE_PERIOD)


def test_a_box_in_deep_trouble_is_relieved_as_soon_although_it_manages_few_probes() -> None:
    governor = LoadGovernor()
    assert [governor.observe(4.0, 4.5 * n) for n in range(1, 6)] == [False, False, False, False, True]


def test_there_is_an_end_to_slowing_down() -> None:
    box = Box(9.0, 9.0, 9.0, 9.0)
    box.run(10_000.0)
    assert box.governor.stretch == LARGEST_STRETCH


def test_a_box_with_room_again_scans_as_often_as_before() -> None:
    box = Box(2.0)
    box.run(15.0)
    box.lags = {}
    box.run(FIRST_PATIENCE + 1.0)
    assert [stretch for _, stretch in box.changes] == [2, 1]


def test_a_box_that_is_too_small_settles_instead_of_swinging() -> None:
    box = Box(2.0, 0.01)
    box.run(8 * 3600.0)
    tries = [now for now, stretch in box.changes if stretch == 1]
    first, last = tries[1] - tries[0], tries[-1] - tries[-2]
    assert last > 10 * first
    assert len(tries) < 20


def test_after_a_long_good_time_it_is_as_ready_to_ease_as_at_first() -> None:
    box = Box(2.0, 0.01)
    box.run(3600.0)
    box.lags = {}
    box.run(4 * 3600.0)
    assert box.governor.stretch == 1
    box.changes.clear()
    box.lags = {1: 2.0}
    box.run(15.0)
    box.lags = {}
    box.run(FIRST_PATIENCE + 1.0)
    assert [stretch for _, stretch in box.changes] == [2, 1]
