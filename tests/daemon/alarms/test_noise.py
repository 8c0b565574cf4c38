"""How often noise raises an alarm: value at the limit, noise of 1 % of range, a scan a second, for a day.

The figures of the day were computed once, independently of this code, for the alarm reference of this
project (seed 20260101, generator not kept), so they are met within the scatter of a random day. Crossing
rates without deadband and delays follow from theory.
"""

from __future__ import annotations

import math
import random

import pytest

from config.alarms import SetPoint
from daemon.model import OperatingState
from daemon.monitor.alarms.conditions import AlarmInputs, Detector, Watch
from tests.daemon.alarms.alarm_kit import START, alarm, good

DAY = 86_400


def noise(phi: float, count: int) -> list[float]:
    source = random.Random(20260101)
    value, innovations = source.gauss(0.0, 1.0), math.sqrt(1 - phi * phi)
    values = []
    for _ in range(count):
        value = phi * value + innovations * source.gauss(0.0, 1.0)
        values.append(value)
    return values


def alarms(values: list[float], deadband: float, on_delay: float, off_delay: float) -> int:
    watch = Watch(alarm(setpoint=SetPoint(0.0), deadband=deadband))
    detector, count = Detector(), 0
    for second, value in enumerate(values):
        inputs = AlarmInputs(START, float(second), OperatingState.DRYING, {"level": good(value)}, {})
        if detector.update(watch.look(inputs), float(second), on_delay, off_delay) and detector.active:
            count += 1
    return count


@pytest.mark.parametrize(("phi", "scatter"), [(0.0, 33.0), (0.9, 43.0)])
def test_crossings_without_remedies_follow_theory(phi: float, scatter: float) -> None:
    """P(below, then above) = arccos(phi)/2 pi for a stationary Gauss process (Sheppard 1899).

    ``scatter`` is the standard deviation of the count, from thirty series counted without this code.
    """
    count = DAY // 4
    expected = count * math.acos(phi) / (2 * math.pi)
    assert alarms(noise(phi, count), 0.0, 0.0, 0.0) == pytest.approx(expected, abs=4 * scatter)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("deadband", "on", "off", "white", "slow_signal"),
    [
        (0.0, 0.0, 0.0, 21_767, 6_176),
        (2.0, 0.0, 0.0, 1_919, 501),
        (0.0, 15.0, 0.0, 1, 823),
        (0.0, 0.0, 60.0, 1, 18),
        (2.0, 15.0, 15.0, 1, 4),
        (5.0, 0.0, 0.0, 1, 1),
        (1.0, 60.0, 60.0, 0, 1),
    ],
)
def test_a_delay_alone_does_not_cure_chatter_on_a_slow_signal(
    deadband: float, on: float, off: float, white: int, slow_signal: int
) -> None:
    for phi, expected in ((0.0, white), (0.9, slow_signal)):
        count = alarms(noise(phi, DAY), deadband, on, off)
        # Four standard deviations of a counted number, three counts for the rare ones.
        assert abs(count - expected) <= max(3.0, 4.0 * math.sqrt(expected)), (phi, count)
