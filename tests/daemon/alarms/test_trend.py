"""Lines and predicted times, against worked cases, scipy and numpy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]  # scipy ships no types

from daemon.monitor.alarms.trend import (
    NEVER,
    Line,
    Prediction,
    Window,
    fit_line,
    student_t_995,
    time_to_limit,
)

STRAIGHT = [(float(t), 100 + 0.5 * t) for t in range(10)]
SCATTERED = list(
    zip(map(float, range(10)), [10.0, 10.2, 10.1, 10.6, 10.8, 11.1, 11.0, 11.5, 11.7, 12.1], strict=True)
)


def test_the_worked_case_without_scatter() -> None:
    """From the alarm reference of this project (worked there without this code): y = 100 + 0.5 t, L = 110."""
    line = fit_line(STRAIGHT)
    assert line.slope == pytest.approx(0.5)
    assert line.slope_error == pytest.approx(0.0, abs=1e-12)
    assert time_to_limit(line, 110.0).expected == pytest.approx(11.0)
    assert time_to_limit(line, 110.0).earliest == pytest.approx(11.0)


def test_the_worked_case_with_scatter() -> None:
    """Same reference: b = 0.2296970, s_b = 0.0163412, t = 14.06, time from t = 9 to 15 = 13.306."""
    line = fit_line(SCATTERED)
    assert line.slope == pytest.approx(0.2296970, abs=5e-8)
    assert line.slope_error == pytest.approx(0.0163412, abs=5e-8)
    assert line.slope / line.slope_error == pytest.approx(14.06, abs=0.005)
    assert line.level - 9 * line.slope == pytest.approx(9.8763636, abs=5e-8)
    prediction = time_to_limit(line, 15.0)
    assert prediction.expected == pytest.approx(13.306, abs=5e-4)
    # 99.5 % quantile of t with 8 degrees of freedom 3.355 (printed in every table of it).
    assert prediction.earliest == pytest.approx((15 - line.level) / (0.2296970 + 3.355 * 0.0163412), rel=1e-3)


def test_a_line_is_scipys_line() -> None:
    source = np.random.default_rng(7)
    times = np.sort(source.uniform(0, 600, 40))
    values = 470 + 0.02 * times + source.normal(0, 0.5, 40)
    ours = fit_line(list(zip(times.tolist(), values.tolist(), strict=True)))
    theirs = stats.linregress(times, values)
    assert ours.slope == pytest.approx(theirs.slope)
    assert ours.slope_error == pytest.approx(theirs.stderr)
    assert ours.level == pytest.approx(theirs.intercept + theirs.slope * times[-1])


@pytest.mark.parametrize(("nu", "tolerance"), [(3, 0.02), (5, 4e-3), (8, 1e-3), (20, 1e-4), (58, 1e-5)])
def test_the_quantile_of_t_is_scipys(nu: int, tolerance: float) -> None:
    assert student_t_995(nu) == pytest.approx(stats.t.ppf(0.995, nu), rel=tolerance)


@pytest.mark.parametrize(
    ("line", "limit", "expected"),
    [
        (Line(0.5, 0.01, 100.0, 30), 90.0, Prediction(NEVER, NEVER)),  # moves away
        (Line(-0.5, 0.0, 100.0, 30), 90.0, Prediction(20.0, 20.0)),  # falls to a low limit
        (Line(0.5, 0.3, 100.0, 30), 110.0, Prediction(NEVER, NEVER)),  # lost in its scatter
        (Line(1e-6, 0.0, 100.0, 30), 110.0, Prediction(NEVER, NEVER)),  # too far away to tell
        (Line(0.5, 0.01, 100.0, 30), 100.0, Prediction(0.0, 0.0)),  # there
        (Line(0.0, 0.0, 100.0, 30), 110.0, Prediction(NEVER, NEVER)),  # stands still
    ],
)
def test_when_there_is_nothing_to_predict(line: Line, limit: float, expected: Prediction) -> None:
    found = time_to_limit(line, limit)
    assert found.expected == pytest.approx(expected.expected)
    assert found.earliest == pytest.approx(expected.earliest)


def test_noise_without_a_trend_is_seldom_called_one() -> None:
    source = np.random.default_rng(11)
    calls = sum(fit_line(list(enumerate(source.normal(0, 1, 30)))).significant for _ in range(2000))
    assert 5 <= calls <= 40  # one in a hundred, four standard deviations either way


def slope(line: Line | None) -> float | None:
    return None if line is None else line.slope


def test_a_window_needs_half_its_length() -> None:
    window = Window(60.0)
    seen = [slope(window.add(float(second), 10.0 + 0.5 * second)) for second in range(120)]
    assert seen[:30] == [None] * 30
    assert [value for value in seen[30:] if value is not None] == [pytest.approx(0.5)] * 90


def test_a_window_leaves_out_what_is_bad_and_forgets_what_is_old() -> None:
    window = Window(60.0)
    for second in range(61):
        window.add(float(second), float(second))
    assert window.add(61.0, None) is None
    assert slope(window.add(62.0, 62.0)) == pytest.approx(1.0)
    assert window.add(500.0, 0.0) is None


def test_between_two_samples_the_line_stays_as_it_was() -> None:
    window = Window(600.0)
    for second in range(0, 601, 10):
        window.add(float(second), 0.1 * second)
    assert slope(window.add(605.0, 1e6)) == pytest.approx(0.1)
    assert len(window.ages(605.0)) == 61


def test_a_window_goes_on_after_a_restart_unless_it_was_long() -> None:
    first, soon, late = Window(60.0), Window(60.0), Window(60.0)
    for second in range(61):
        first.add(float(second), 2.0 * second)
    soon.resume(first.ages(60.0), now=7.0, downtime=5.0)
    late.resume(first.ages(60.0), now=7.0, downtime=500.0)
    assert slope(soon.add(7.1, 130.2)) == pytest.approx(2.0)
    assert late.add(7.1, 130.2) is None


def test_a_cleared_window_begins_anew() -> None:
    window = Window(60.0)
    for second in range(61):
        window.add(float(second), float(second))
    window.clear()
    assert window.ages(61.0) == ()
    assert window.add(61.0, 5.0) is None
