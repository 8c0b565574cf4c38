"""Straight lines through recent values: how fast a value moves, and when it will reach a limit.

Least squares over a window of evenly spaced samples. A prediction is an early warning: it is made only when
the slope stands out of its own scatter, and it states the earliest time that the scatter allows, so that a
warning comes rather too early than too late.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

Samples = Sequence[tuple[float, float]]
"""(time [s], value), in the order of time."""

FEWEST = 5
"""A line through fewer samples than this says nothing."""
SAMPLES = 60
"""Most samples kept in a window."""
NEVER = 86400.0
"""A limit that is farther away than this, or not approached at all, is told as this [s]."""


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted straight line: slope [1/s], its standard error, level at the last sample, sample count."""

    slope: float
    slope_error: float
    level: float
    count: int

    @property
    def significant(self) -> bool:
        """Whether the slope differs from zero at 99 % confidence, two-sided."""
        return abs(self.slope) > student_t_995(self.count - 2) * self.slope_error


def fit_line(samples: Samples) -> Line:
    """Fit a line by least squares.

    Parameters
    ----------
    samples : sequence of (float, float)
        At least three, not all at one time.
    """
    count = len(samples)
    mean_time = sum(time for time, _ in samples) / count
    mean_value = sum(value for _, value in samples) / count
    spread = sum((time - mean_time) ** 2 for time, _ in samples)
    slope = sum((time - mean_time) * (value - mean_value) for time, value in samples) / spread
    residual = sum((value - mean_value - slope * (time - mean_time)) ** 2 for time, value in samples)
    error = math.sqrt(residual / (count - 2) / spread)
    return Line(slope, error, mean_value + slope * (samples[-1][0] - mean_time), count)


def student_t_995(degrees_of_freedom: int) -> float:
    """Return the 99.5 % quantile of Student's t, for three degrees of freedom and more.

    Cornish-Fisher expansion, Abramowitz and Stegun 26.7.5; within 2 % at 3 and 0.1 % from 8 on.
    """
    z, nu = 2.5758293035489004, float(degrees_of_freedom)
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    g4 = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return z + g1 / nu + g2 / nu**2 + g3 / nu**3 + g4 / nu**4


@dataclass(frozen=True, slots=True)
class Prediction:
    """When a limit will be reached at the present slope [s from now], and the earliest at 99 % confidence.

    Both are ``NEVER`` when the value does not move toward the limit, or not significantly.
    """

    expected: float
    earliest: float


def time_to_limit(line: Line, limit: float) -> Prediction:
    """Return when a line reaches a limit; zero when it is there already.

    Parameters
    ----------
    line : Line
        Line through the recent values.
    limit : float
        In the unit of the values.
    """
    gap = limit - line.level
    if not line.significant or gap * line.slope <= 0.0:
        reached = 0.0 if gap == 0.0 else NEVER
        return Prediction(reached, reached)
    steepest = abs(line.slope) + student_t_995(line.count - 2) * line.slope_error
    return Prediction(min(abs(gap / line.slope), NEVER), min(abs(gap) / steepest, NEVER))


class Window:
    """The recent values of one input, evenly spaced, at most ``SAMPLES`` of them."""

    __slots__ = ("_line", "_samples", "length")

    def __init__(self, length: float) -> None:
        self.length = length
        self._samples: deque[tuple[float, float]] = deque()
        self._line: Line | None = None

    def add(self, now: float, value: float | None) -> Line | None:
        """Take a value at monotonic time ``now``; return the line through the window.

        ``None`` for the value means that it was bad and is left out; ``None`` comes back for it, and as
        long as the samples do not yet span half the window.
        """
        samples = self._samples
        if value is None:
            return None
        if not samples or now - samples[-1][0] >= self.length / SAMPLES:
            samples.append((now, value))
            while now - samples[0][0] > self.length:
                samples.popleft()
            self._line = self._fit()
        return self._line

    def _fit(self) -> Line | None:
        samples = self._samples
        if len(samples) < FEWEST or samples[-1][0] - samples[0][0] < self.length / 2:
            return None
        return fit_line(samples)

    def clear(self) -> None:
        """Forget everything: the process has changed its mode, and what was says nothing of what will be."""
        self._samples.clear()
        self._line = None

    def ages(self, now: float) -> tuple[tuple[float, float], ...]:
        """Return the samples as (age at ``now`` [s], value), for saving."""
        return tuple((now - time, value) for time, value in self._samples)

    def resume(self, ages: Iterable[tuple[float, float]], now: float, downtime: float) -> None:
        """Go on from saved samples that are older by the time the daemon was down."""
        self._samples = deque((now - age - downtime, v) for age, v in ages if age + downtime <= self.length)
        self._line = self._fit()
