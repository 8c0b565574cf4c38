"""CUSUM against worked steps, published run lengths, the Markov chain of Brook and Evans and simulation."""

from __future__ import annotations

import math
import random
import statistics

import numpy as np
import pytest

from daemon.monitor.alarms.charts import Cusum, Residual, cusum_limit, cusum_run_length, usual

STEPS = [0.2, -0.3, 0.5, 1.4, 1.2, 1.8, 0.9, 2.1, 1.6, 1.3]
DAY = 86400.0

# Mean samples to signal, zero state, at shifts 0, 0.25, 0.5, 1 and 2 standard deviations. h = 4 and 5 with
# k = 0.5: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 and Montgomery, Introduction to Statistical
# Quality Control, tables of CUSUM run lengths (from memory; the Markov chain below gives them again).
SHIFTS = (0.0, 0.25, 0.5, 1.0, 2.0)
CUSUM_RUN_LENGTHS = {
    (0.5, 4.0): (167.7, 74.2, 26.6, 8.38, 3.34),
    (0.5, 5.0): (465.4, 139.5, 38.0, 10.4, 4.01),
    (0.5, 4.774): (370.1, 121.6, 35.3, 9.93, 3.86),
    (0.25, 8.01): (370.3, 83.8, 28.8, 11.4, 5.22),
    (1.0, 2.52): (372.8, 197.8, 69.3, 13.6, 3.27),
}


def test_cusum_step_by_step() -> None:
    """Worked in the alarm reference of this project: h = 5 signals at sample 9."""
    chart = Cusum(limit=5.0, slack=0.5)
    sums, signals = [], []
    for z in STEPS:
        signals.append(chart.add(z))
        sums.append(chart.upper)
    assert sums == pytest.approx([0, 0, 0, 0.9, 1.6, 2.9, 3.3, 4.9, 6.0, 6.8])
    assert signals == [0] * 8 + [1, 1]
    down = Cusum(limit=5.0, slack=0.5)
    assert [down.add(-z) for z in STEPS] == [0] * 8 + [-1, -1]


def brook_and_evans(slack: float, limit: float, shift: float, states: int = 100) -> float:
    """One-sided run length: D. Brook and D. A. Evans, Biometrika 59 (1972) 539, the sum in steps of a chain.

    The error falls with the square of the step; two chains extrapolate it away (Richardson).
    """

    def chain(count: int) -> float:
        width = 2.0 * limit / (2.0 * count - 1.0)
        middles = width * np.arange(count)
        below = np.vectorize(lambda z: 0.5 * math.erfc(-z / math.sqrt(2.0)))
        upper = below(middles[None, :] - middles[:, None] + 0.5 * width + slack - shift)
        lower = below(middles[None, :] - middles[:, None] - 0.5 * width + slack - shift)
        moves = upper - lower
        moves[:, 0] = upper[:, 0]
        lengths = np.linalg.solve(np.eye(count) - moves, np.ones(count))
        return float(lengths[0])

    coarse, fine = chain(states // 2), chain(states)
    return fine + (fine - coarse) / 3.0


@pytest.mark.parametrize(("limit", "published"), [(4.0, 335.4), (5.0, 930.9)])
def test_the_chain_gives_the_published_one_sided_run_lengths(limit: float, published: float) -> None:
    # NIST/SEMATECH 6.3.2.3 prints 336 and 930 (from memory).
    assert brook_and_evans(0.5, limit, 0.0) == pytest.approx(published, rel=2e-3)


@pytest.mark.parametrize(("slack", "limit"), CUSUM_RUN_LENGTHS)
def test_the_chain_gives_the_table(slack: float, limit: float) -> None:
    for shift, expected in zip(SHIFTS, CUSUM_RUN_LENGTHS[slack, limit], strict=True):
        sides = [brook_and_evans(slack, limit, side * shift) for side in (1.0, -1.0)]
        assert 1.0 / sum(1.0 / side for side in sides) == pytest.approx(expected, rel=6e-3)


def test_the_limit_in_use_has_the_rate_that_is_said() -> None:
    """Siegmund's formula errs little at the drift charts' own limit: two years, by the chain."""
    limit = cusum_limit(730.0 * DAY, 3600.0, 0.5)
    days = brook_and_evans(0.5, limit, 0.0) / 2.0 / 24.0
    assert days == pytest.approx(730.0, rel=0.03)


@pytest.mark.parametrize(("slack", "limit"), CUSUM_RUN_LENGTHS)
def test_the_run_length_formula_against_the_table(slack: float, limit: float) -> None:
    tolerance = 0.07 if slack > 0.5 else 0.03
    for shift, expected in zip(SHIFTS, CUSUM_RUN_LENGTHS[slack, limit], strict=True):
        found = cusum_run_length(limit, slack, shift)
        assert found == pytest.approx(expected, rel=tolerance if shift < 1.0 else 0.1)


def test_a_shift_as_large_as_the_slack_is_no_division_by_zero() -> None:
    beside = cusum_run_length(4.0, 0.5, 0.5 + 1e-4)
    assert cusum_run_length(4.0, 0.5, 0.5) == pytest.approx(beside, rel=1e-3)
    assert math.isinf(cusum_run_length(200.0, 3.0))


@pytest.mark.parametrize(
    ("days", "slack", "expected"),
    [
        (7, 0.25, 14.51),
        (7, 0.5, 8.06),
        (7, 1.0, 4.16),
        (30, 0.25, 17.41),
        (30, 0.5, 9.52),
        (30, 1.0, 4.89),
        (365, 0.25, 22.41),
        (365, 0.5, 12.01),
        (365, 1.0, 6.14),
    ],
)
def test_the_limit_for_a_false_alarm_rate_in_days(days: int, slack: float, expected: float) -> None:
    """Independent one-minute residuals; computed for the alarm reference of this project."""
    assert cusum_limit(days * DAY, 60.0, slack) == pytest.approx(expected, rel=0.01)


def test_a_chart_that_always_alarms_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 10"):
        cusum_limit(60.0, 60.0)


def simulate(limit: float, slack: float, shift: float, runs: int) -> list[int]:
    source = random.Random(20260101)
    lengths = []
    for _ in range(runs):
        chart, count, signal = Cusum(limit, slack), 0, 0
        while not signal:
            signal = chart.add(source.gauss(shift, 1.0))
            count += 1
        lengths.append(count)
    return lengths


def agrees(lengths: list[int], expected: float) -> bool:
    error = statistics.stdev(lengths) / math.sqrt(len(lengths))
    return abs(statistics.fmean(lengths) - expected) <= 4.0 * error + 0.01 * expected


@pytest.mark.parametrize("shift", [0.5, 2.0])
def test_simulated_run_lengths_of_shifts(shift: float) -> None:
    index = SHIFTS.index(shift)
    assert agrees(simulate(5.0, 0.5, shift, 800), CUSUM_RUN_LENGTHS[0.5, 5.0][index])


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("shift", SHIFTS)
def test_simulated_run_lengths_of_every_chart(shift: float) -> None:
    index = SHIFTS.index(shift)
    for (slack, limit), expected in CUSUM_RUN_LENGTHS.items():
        assert agrees(simulate(limit, slack, shift, 400), expected[index]), (slack, limit)


def test_a_residual_learns_and_then_judges() -> None:
    residual = Residual(period=10.0, learning=4, smallest_deviation=0.01)
    seen = [
        residual.add(sample * 20.0 + part * 5.0, value + (part - 1) * 0.1)
        for sample, value in enumerate((1.0, 3.0, 1.0, 3.0, 4.0, 0.0))
        for part in range(3)  # three values are averaged into one sample
    ]
    samples = [seen[i] for i in range(2, 18, 3)]
    assert [value for i, value in enumerate(seen) if i % 3 != 2] == [None] * 12
    assert samples[:4] == [None] * 4
    # Learnt: 1, 3, 1, 3 with mean 2 and standard deviation sqrt(4/3); neighbours go opposite ways.
    assert (residual.mean, residual.deviation) == pytest.approx((2.0, math.sqrt(4 / 3)))
    assert samples[4:] == [pytest.approx(2 / math.sqrt(4 / 3)), pytest.approx(-2 / math.sqrt(4 / 3))]


def test_a_value_that_never_moved_has_the_smallest_deviation() -> None:
    residual = Residual(period=0.0, learning=3, smallest_deviation=0.5)
    for second in range(3):
        assert residual.add(float(second), 7.0) is None
    assert residual.deviation == 0.5
    assert residual.add(3.0, None) is None
    assert residual.add(4.0, 8.0) == pytest.approx(2.0)


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.6, 0.8])
def test_the_deviation_that_counts_in_sums_is_that_of_long_sums(correlation: float) -> None:
    """The variance of a sum of n correlated samples nears n s2 (1 + r)/(1 - r) (Bartlett 1946)."""
    source = np.random.default_rng(20260101)
    noise = source.normal(0.0, math.sqrt(1.0 - correlation**2), (400, 1500))
    values = np.zeros_like(noise)
    for column in range(1, noise.shape[1]):
        values[:, column] = correlation * values[:, column - 1] + noise[:, column]
    late = values[:, 500:]
    by_sums = float(np.std(late.sum(axis=1)) / math.sqrt(late.shape[1]))
    learnt = statistics.fmean(usual(row.tolist())[1] for row in late)
    assert learnt == pytest.approx(by_sums, rel=0.12)
