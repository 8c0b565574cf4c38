"""Do laboratory samples correct the calculated purity by as much as they know, and by no more?"""

from __future__ import annotations

import json
import math
import random

import numpy as np
import pytest

from daemon.monitor.lean_purity import (
    DRAWING,
    DRIFT_TIME,
    HOUR,
    KEPT_HOURS,
    LABORATORY,
    MODEL,
    Correction,
    LeanPurity,
)

START = 1_760_000_400.0  # on the hour
DAY = 86400.0
WATER = 0.0130
BASIS = (101325.0, 0.0, 0.0, 0.0)


class Bench:
    """An estimator that sees one steady calculated purity."""

    def __init__(self) -> None:
        self.purity = LeanPurity(BASIS, 600.0)
        self.time = START - START % HOUR

    def run(self, hours: float, water: float | None = WATER, *, every: float = 600.0) -> None:
        for _ in range(round(hours * HOUR / every)):
            self.time += every
            self.purity.watch(self.time, self.time, water)

    def sample(self, water: float, ago: float = 0.0) -> str:
        return self.purity.take(self.time - ago, water, self.time).complaint

    @property
    def correction(self) -> Correction:
        found = self.purity.correction(self.time)
        assert found is not None
        return found


def bench(hours: float = 3.0) -> Bench:
    made = Bench()
    made.run(hours)
    return made


def noise(expected: float = WATER) -> float:
    return math.hypot(LABORATORY, DRAWING / expected)


# ---------------------------------------------------------------------------------------------- the estimator


def test_without_a_sample_there_is_no_correction() -> None:
    assert bench().purity.correction(START) is None


def test_one_sample_is_the_weighted_mean_of_what_it_says_and_of_no_correction() -> None:
    one = bench()
    assert one.sample(1.2 * WATER) == ""
    # JCGM 100:2008 (weights are inverse variances), by hand: the model 12.8 % against 7 % and 0.02 wt% in
    # 1.3 wt%.
    model, laboratory = 1.0 / (0.10**2 + 0.08**2), 1.0 / (0.07**2 + (0.0002 / 0.0130) ** 2)
    expected = math.exp(math.log(1.2) * laboratory / (model + laboratory))
    assert one.correction.factor == pytest.approx(expected, rel=1e-5)
    assert one.correction.uncertainty == pytest.approx((model + laboratory) ** -0.5, rel=1e-5)


def test_many_samples_give_what_regression_on_all_at_once_gives() -> None:
    """A bias that forgets itself is a Gaussian process with an exponential covariance.

    Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), eqs. 2.23 and 2.24 for the
    estimate, 4.18 for the covariance (from memory); solved here in one piece by numpy.
    """
    one, drawn = bench(), random.Random(20260101)
    times, values, variances = [], [], []
    for _ in range(12):
        one.run(30.0)
        believed = one.purity.correction(one.time)
        expected = WATER * (1.0 if believed is None else believed.factor)
        water = WATER * math.exp(drawn.gauss(0.03, 0.03))
        assert one.sample(water) == ""
        times.append(one.time)
        values.append(math.log(water / WATER))
        variances.append(noise(expected) ** 2)
    later = one.time + 40.0 * DAY
    at = np.array([*times, later])
    covariance = MODEL**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / DRIFT_TIME)
    seen = covariance[:-1, :-1] + np.diag(variances)
    mean = covariance[-1, :-1] @ np.linalg.solve(seen, np.array(values))
    variance = MODEL**2 - covariance[-1, :-1] @ np.linalg.solve(seen, covariance[:-1, -1])
    found = one.purity.correction(later)
    assert found is not None
    assert math.log(found.factor) == pytest.approx(mean, rel=1e-3)
    assert found.uncertainty == pytest.approx(math.sqrt(variance), rel=1e-3)


def test_it_errs_by_as_much_as_it_says() -> None:
    """Two hundred plants whose true purity wanders away from the calculated one, sampled every month.

    The squared error over the stated variance has mean one if the uncertainty is honest (Bar-Shalom, Li and
    Kirubarajan, Estimation with Applications to Tracking and Navigation (2001), 5.4.2: NEES).
    """
    dice = random.Random(20260102)
    errors = []
    for _ in range(200):
        one = bench()
        true = dice.gauss(0.0, MODEL)
        worth = math.exp(-30.0 * DAY / DRIFT_TIME)
        for _ in range(6):
            one.time += 30.0 * DAY - 3.0 * HOUR
            one.run(3.0)
            true = worth * true + dice.gauss(0.0, MODEL * math.sqrt(1.0 - worth**2))
            water = WATER * math.exp(true) + dice.gauss(
                0.0, math.hypot(LABORATORY * WATER * math.exp(true), DRAWING)
            )
            one.sample(water)
        errors.append(((math.log(one.correction.factor) - true) / one.correction.uncertainty) ** 2)
    # Chi-squared with 200 degrees of freedom over 200: 99 % lie between 0.76 and 1.28 (Abramowitz and Stegun
    # 26.4.17).
    assert 0.76 < np.mean(errors) < 1.28


def test_an_old_sample_slowly_becomes_no_sample() -> None:
    one = bench()
    one.sample(1.1 * WATER)
    fresh = one.correction
    month, year = (one.purity.correction(one.time + days * DAY) for days in (30.0, 365.0))
    assert month is not None
    assert year is not None
    assert math.log(month.factor) == pytest.approx(math.log(fresh.factor) * math.exp(-30.0 / 180.0))
    assert fresh.uncertainty < month.uncertainty < year.uncertainty < MODEL
    assert one.purity.correction(one.time + 420.0 * DAY) is None


def test_a_sample_that_comes_late_is_held_against_its_own_time() -> None:
    one = Bench()
    one.run(6.0, 0.010)
    drawn = one.time
    one.run(48.0, 0.016)
    answer = one.purity.take(drawn, 0.010, one.time)
    assert answer.calculated == pytest.approx(0.010, abs=1e-6)
    assert one.correction.factor == pytest.approx(1.0, abs=1e-3)
    assert one.sample(0.0176) == ""
    newest = one.correction
    # One that is drawn before the newest and says the same moves little and never makes it less sure.
    assert one.purity.take(drawn + 24.0 * HOUR, 0.0176, one.time).complaint == ""
    assert one.correction.uncertainty < newest.uncertainty
    assert 1.0 < newest.factor < one.correction.factor < 1.1


# -------------------------------------------------------------------------------------- what is not believed


def test_a_sample_without_a_steady_hour_is_not_used_and_says_why() -> None:
    one = bench(0.5)
    assert one.sample(WATER).startswith("the unit was not seen regenerating steadily")
    one.run(3.0)
    assert one.sample(WATER, ago=3.4 * HOUR).startswith("the unit was not seen")
    one.run(2.0, None)  # shut in
    assert one.sample(WATER).startswith("the unit was not seen")
    one.run(1.0)
    one.run(0.5, 2.0 * WATER)  # a burner that was out for half an hour
    one.run(1.5)
    assert one.sample(WATER, ago=1.2 * HOUR).startswith("the unit was not seen")
    assert one.purity.correction(one.time) is None


@pytest.mark.parametrize(
    ("water", "ago", "complaint"),
    [
        (WATER, 15.0 * DAY, "it was drawn more than 14 days ago"),
        (1e-4, 0.0, "so little water cannot be told from none"),
        (0.05, 0.0, "it holds more than three times the water"),
        (0.004, 0.0, "it holds less than a third of the water"),
    ],
)
def test_what_cannot_be_compared_is_told(water: float, ago: float, complaint: str) -> None:
    one = bench(24.0)
    assert one.sample(water, ago).startswith(complaint)
    assert one.purity.correction(one.time) is None


def test_the_same_sample_counts_once() -> None:
    one = bench()
    assert one.sample(1.1 * WATER) == ""
    before = one.correction
    assert one.sample(1.1 * WATER, ago=30.0) == "a sample drawn at that time counts already"
    assert one.correction == before


def test_a_wild_sample_is_set_aside_and_two_that_agree_are_believed() -> None:
    one = bench()
    one.sample(WATER)
    calm = one.correction
    one.run(24.0)
    answer = one.purity.take(one.time, 1.9 * WATER, one.time)
    assert answer.doubted
    assert one.correction.factor == pytest.approx(calm.factor, abs=1e-3)
    one.run(24.0)
    assert one.purity.take(one.time, 0.5 * WATER, one.time).doubted  # agrees with neither
    one.run(24.0)
    assert one.purity.take(one.time, 0.52 * WATER, one.time).complaint == ""
    assert one.correction.factor == pytest.approx(math.sqrt(0.5 * 0.52), rel=1e-3)
    assert one.correction.uncertainty < MODEL


def test_new_glycol_makes_earlier_samples_say_nothing() -> None:
    one = bench(30.0)
    one.sample(1.2 * WATER, ago=5.0 * HOUR)
    one.purity.forget(one.time - 2.0 * HOUR)
    assert one.purity.correction(one.time) is None
    assert one.sample(WATER, ago=3.0 * HOUR).startswith("it was drawn before the glycol was changed")
    assert one.sample(WATER, ago=HOUR) == ""


# ----------------------------------------------------------------------------------------------- what is kept


def test_what_was_calculated_is_kept_for_two_weeks_and_no_longer() -> None:
    one = Bench()
    one.run(20.0 * 24.0)
    kept = one.purity.save()["water"]
    assert isinstance(kept, list)
    assert len(kept) == KEPT_HOURS
    assert len(json.dumps(kept)) < 3000
    assert one.sample(WATER, ago=(KEPT_HOURS - 2) * HOUR) == ""


def test_a_gap_is_a_gap_and_a_clock_that_jumps_far_begins_anew() -> None:
    one = bench(5.0)
    one.time += 10.0 * HOUR
    one.run(3.0)
    assert one.sample(WATER, ago=8.0 * HOUR) != ""
    assert one.sample(WATER, ago=14.0 * HOUR) == ""
    one.time += 400.0 * DAY
    one.run(3.0)
    assert one.sample(WATER) == ""
    one.time -= 800.0 * DAY
    one.run(3.0)
    assert one.sample(WATER, ago=HOUR) == ""


def test_it_goes_on_from_its_saved_state_as_if_nothing_had_been() -> None:
    one, other = bench(30.0), Bench()
    one.sample(1.1 * WATER, ago=5.0 * HOUR)
    one.sample(1.9 * WATER, ago=3.0 * HOUR)
    one.run(0.5)
    other.purity.restore(json.loads(json.dumps(one.purity.save(), allow_nan=False)))
    other.time = one.time
    assert other.purity.save() == one.purity.save()
    for each in (one, other):
        each.run(1.7)
        each.sample(1.15 * WATER)
    assert other.correction == one.correction
    assert other.purity.save() == one.purity.save()
    fresh = LeanPurity((94.0e3, *BASIS[1:]), 600.0)  # calculated with another barometric pressure
    fresh.restore(one.purity.save())
    assert fresh.correction(one.time) is None
