"""Ticks neither drift nor pile up, and pollers do not start together."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.sources.ticks import Distribution, Ticks, stagger


@given(
    period=st.floats(0.01, 60.0),
    start=st.floats(0.0, 1e6),
    phase=st.floats(0.0, 1.0),
    delays=st.lists(st.floats(0.0, 200.0), min_size=1, max_size=30),
)
def test_ticks_stay_on_their_grid_and_each_is_taken_once_or_counted_as_skipped(
    period: float, start: float, phase: float, delays: list[float]
) -> None:
    ticks = Ticks(period, start, phase)
    first = ticks.due
    assert start <= first <= start + period
    for delay in delays:
        now = ticks.due + delay
        late = ticks.take(now)
        assert -1e-6 <= late <= period + 1e-6
        assert ticks.due > now - 1e-6
    count = (ticks.due - first) / period
    assert count == pytest.approx(len(delays) + ticks.skipped, abs=1e-3)


def test_a_million_ticks_do_not_drift() -> None:
    ticks = Ticks(0.1, 0.0)
    for _ in range(1_000_000):
        ticks.take(ticks.due)
    assert ticks.due == pytest.approx(100_000.0, abs=1e-6)


def test_a_tick_before_its_time_is_a_mistake() -> None:
    with pytest.raises(ValueError, match=r"due in 1\.000 s"):
        Ticks(1.0, 10.0).take(9.0)


@pytest.mark.parametrize("period", [0.0, -1.0, float("nan")])
def test_a_period_that_is_none_is_refused(period: float) -> None:
    with pytest.raises(ValueError, match="period"):
        Ticks(period, 0.0)


@pytest.mark.parametrize("count", [2, 10, 100, 1000])
def test_any_number_of_pollers_is_spread_over_the_period(count: int) -> None:
    phases = sorted(stagger(index) for index in range(count))
    gaps = [after - before for before, after in itertools.pairwise([*phases, phases[0] + 1.0])]
    # Three-distance theorem: the largest gap is at most the golden ratio squared times the mean, 2.618.
    assert max(gaps) <= 2.7 / count


def test_a_distribution_gives_its_quantiles_as_class_bounds() -> None:
    distribution = Distribution()
    assert distribution.quantile(0.99) == 0.0
    for _ in range(98):
        distribution.add(0.0005)
    distribution.add(0.03)
    distribution.add(7.0)
    assert distribution.count == 100
    assert (distribution.quantile(0.5), distribution.quantile(0.99)) == (0.001, 0.05)
    assert (distribution.quantile(1.0), distribution.largest, distribution.last) == (7.0, 7.0, 7.0)
    assert distribution.total == pytest.approx(0.049 + 7.03)
