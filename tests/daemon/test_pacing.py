"""A unit is scanned right after its slowest controller, on time when one is silent, and never twice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.pacing import ScanPacer


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
