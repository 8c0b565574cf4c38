"""A control chart on standardised residuals: small lasting shifts that no limit would show.

A residual is what remains of a value when everything known is taken off: measured less calculated dew point,
delivered against displaced volume. CUSUM adds up what exceeds a slack; no chart with as few false alarms
finds a shift of the size that it is made for sooner (Moustakides 1986). How seldom they are is told in days:
a chart that calls falsely once in 500 samples does so every eight minutes at one sample a second.

Run lengths are those of independent samples. A plant's residual follows its own past: weather, an analyzer's
lag, day and night. With a correlation of 0.3 from hour to hour a chart made for one false alarm a year calls
every month. ``Residual`` therefore learns the correlation with the scatter and judges by the deviation that
sums of such samples have.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(slots=True)
class Cusum:
    """Two-sided cumulative sum (Page 1954): upper = max(0, upper + z - k), lower likewise with -z.

    Parameters
    ----------
    limit : float
        Decision limit h in standard deviations; ``cusum_limit`` gives it from a false alarm rate.
    slack : float
        k in standard deviations; half the shift that is to be found.
    """

    limit: float
    slack: float = 0.5
    upper: float = 0.0
    lower: float = 0.0

    def add(self, z: float) -> int:
        """Take one standardised residual; return 1 or -1 for a shift up or down, else 0."""
        self.upper = max(0.0, self.upper + z - self.slack)
        self.lower = max(0.0, self.lower - z - self.slack)
        return _side(self.upper > self.limit, self.lower > self.limit)


def _side(up: bool, down: bool) -> int:  # noqa: FBT001 - the two sides of a chart
    return int(up) - int(down)


def cusum_run_length(limit: float, slack: float, shift: float = 0.0) -> float:
    """Return the mean number of samples until a two-sided CUSUM signals.

    Siegmund's approximation (Siegmund 1985, *Sequential Analysis*), within 3 % for k up to 0.5 and 7 % at
    k = 1 without a shift; sides combine as 1/ARL = 1/ARL+ + 1/ARL-.

    Parameters
    ----------
    limit, slack : float
        h and k of the chart, in standard deviations.
    shift : float
        Lasting shift of the mean, in standard deviations.
    """
    signals = 1.0 / _one_side(limit, slack, shift) + 1.0 / _one_side(limit, slack, -shift)
    return 1.0 / signals if signals > 0.0 else math.inf


def _one_side(limit: float, slack: float, shift: float) -> float:
    drift, height = shift - slack, limit + 1.166
    if abs(drift * height) < 1e-6:
        return height**2
    exponent = -2.0 * drift * height
    if exponent > 700.0:
        return math.inf
    return (math.exp(exponent) - exponent - 1.0) / (2.0 * drift**2)


def cusum_limit(false_alarm_every: float, sample_period: float, slack: float = 0.5) -> float:
    """Return the decision limit h of a two-sided CUSUM from how seldom it may call a false alarm.

    Parameters
    ----------
    false_alarm_every : float
        Mean time between false alarms [s]; at least ten samples.
    sample_period : float
        Time between two independent samples [s].
    slack : float
        k of the chart.

    Raises
    ------
    ValueError
        Fewer than ten samples between two false alarms.
    """
    samples = false_alarm_every / sample_period
    if not samples >= 10.0:
        raise ValueError(f"a false alarm every {samples:g} samples is no chart; allow at least 10")
    low, high = 0.0, 200.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if cusum_run_length(middle, slack) < samples:
            low = middle
        else:
            high = middle
    return high


@dataclass(slots=True)
class Residual:
    """Standardises a value against its own usual behaviour, learnt once and then kept.

    Values are averaged over ``period``; the first ``learning`` averages give mean, standard deviation s and
    the correlation r of neighbours. z is in units of ``s sqrt((1 + r) / (1 - r))``, the deviation that counts
    in sums of correlated samples (Bartlett 1946; Bagshaw and Johnson 1975 for CUSUM, both from memory).
    Learning goes on only while the caller feeds values of a healthy unit.

    Parameters
    ----------
    period : float
        Time over which values are averaged into one sample [s].
    learning : int
        Number of samples from which usual behaviour is learnt.
    smallest_deviation : float
        Deviations below this are taken as this: a value that never moved has none to judge by.
    """

    period: float
    learning: int
    smallest_deviation: float
    samples: list[float] = field(default_factory=list)
    """While learning; empty afterwards."""
    learnt: int = 0
    mean: float = 0.0
    deviation: float = math.inf
    total: float = 0.0
    count: int = 0
    since: float | None = None

    def add(self, now: float, value: float | None) -> float | None:
        """Take a value at monotonic time ``now``, ``None`` if bad; return z when a sample is complete."""
        if value is None:
            return None
        if self.since is None:
            self.since = now
        self.total += value
        self.count += 1
        if now - self.since < self.period:
            return None
        sample = self.total / self.count
        self.since, self.total, self.count = None, 0.0, 0
        if self.learnt >= self.learning:
            return (sample - self.mean) / self.deviation
        self.samples.append(sample)
        self.learnt += 1
        if self.learnt == self.learning:
            self.mean, deviation = usual(self.samples)
            self.deviation = max(deviation, self.smallest_deviation)
            self.samples = []
        return None

    def shift(self, step: float) -> None:
        """Go on with values that are higher by ``step`` than those before."""
        self.samples = [sample + step for sample in self.samples]
        self.mean += step
        self.total += step * self.count


MOST_CORRELATION = 0.9
"""A correlation above this cannot be told from a trend in some dozens of samples."""


def usual(samples: Sequence[float]) -> tuple[float, float]:
    """Return the mean of samples, and the deviation that counts in sums of them.

    Parameters
    ----------
    samples : sequence of float
        At least three, in the order of time.
    """
    count = len(samples)
    mean = sum(samples) / count
    squares = sum((sample - mean) ** 2 for sample in samples)
    if squares == 0.0:
        return mean, 0.0
    neighbours = sum((one - mean) * (other - mean) for one, other in itertools.pairwise(samples))
    correlation = neighbours / squares
    # Few samples show less correlation than there is (Kendall 1954, Marriott and Pope 1954).
    correlation = min(max(0.0, correlation + (1.0 + 3.0 * correlation) / count), MOST_CORRELATION)
    return mean, math.sqrt(squares / (count - 1) * (1.0 + correlation) / (1.0 - correlation))
