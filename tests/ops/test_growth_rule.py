"""The rule by which a soak judges memory: it sees a leak, and no leak where there is none."""

from __future__ import annotations

import random

import pytest

from tests.support.soak import WARM_UP, Sample, growth


def run(hours: float, leak: float, *, saw: float = 0.0, period: float = 1700.0) -> list[Sample]:
    """Memory of a run: a warm-up of 20 MB, a leak [MB/h], noise, and garbage collected now and then."""
    chance = random.Random(3)
    found = []
    for number in range(int(hours * 3600 / 2)):
        at = 2.0 * number
        warm = 20.0 * min(1.0, at / (0.8 * WARM_UP))
        garbage = saw * (at % period) / period
        noise = abs(chance.gauss(0.0, 0.3))
        found.append(Sample(5000.0 + at, 90.0 + warm + leak * at / 3600 + garbage + noise, 20, 4, at / 50))
    return found


@pytest.mark.parametrize(("hours", "leak"), [(1.25, 6.0), (2.0, 3.0), (8.0, 1.6)])
def test_a_leak_is_seen(hours: float, leak: float) -> None:
    judged = growth(run(hours, leak))
    assert judged.leaks
    assert judged.per_hour == pytest.approx(leak, rel=0.15)


@pytest.mark.parametrize("hours", [1.0, 2.0, 8.0])
def test_a_warm_up_and_noise_are_no_leak(hours: float) -> None:
    judged = growth(run(hours, 0.0))
    assert not judged.leaks
    assert abs(judged.per_hour) < 0.2


def test_garbage_that_is_collected_is_no_leak_over_a_night() -> None:
    assert not growth(run(8.0, 0.0, saw=4.0)).leaks


def test_a_short_run_is_not_judged_and_says_so() -> None:
    judged = growth(run(0.3, 50.0))
    assert not judged.leaks
    assert str(judged) == "too short to judge growth"
