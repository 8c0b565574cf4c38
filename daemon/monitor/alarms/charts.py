"""Control charts on standardised residuals: small lasting shifts that no limit would show.

A residual is what remains of a value when everything known is taken off: tray efficiency against its usual
value, lean purity against its laboratory, delivered against displaced volume. CUSUM adds up what exceeds a
slack, EWMA averages with fading memory. Both are told by how often they call a false alarm, and that in days:
a chart that calls falsely once in 500 samples does so every eight minutes at one sample a second. Samples
must be far enough apart to be independent (five time constants and more); ``Residual`` sees to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


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


@dataclass(slots=True)
class Ewma:
    """Exponentially weighted moving average (Roberts 1959) with limits that widen from the start.

    Parameters
    ----------
    width : float
        Limit L in standard deviations of the average (Lucas and Saccucci 1990).
    weight : float
        Weight lambda of the newest sample, above 0 to 1.
    """

    width: float
    weight: float = 0.2
    average: float = 0.0
    count: int = 0

    def add(self, z: float) -> int:
        """Take one standardised residual; return 1 or -1 for a shift up or down, else 0."""
        self.average = self.weight * z + (1.0 - self.weight) * self.average
        self.count += 1
        return _side(self.average > self.limit, self.average < -self.limit)

    @property
    def limit(self) -> float:
        """Limit of the average after the samples seen so far, in standard deviations of a sample."""
        faded = 1.0 - (1.0 - self.weight) ** (2 * self.count)
        return self.width * math.sqrt(self.weight / (2.0 - self.weight) * faded)


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

    Values are averaged over ``period`` so that samples are independent; the first ``learning`` of them give
    mean and standard deviation. Learning goes on only while the caller feeds values of a healthy unit.

    Parameters
    ----------
    period : float
        Time over which values are averaged into one sample [s]; five time constants and more.
    learning : int
        Number of samples from which usual behaviour is learnt.
    smallest_deviation : float
        Standard deviations below this are taken as this: a value that never moved has none to judge by.
    """

    period: float
    learning: int
    smallest_deviation: float
    mean: float = 0.0
    squares: float = 0.0
    learnt: int = 0
    total: float = 0.0
    count: int = 0
    since: float | None = None

    @property
    def deviation(self) -> float:
        """Standard deviation of the learnt samples."""
        spread = math.sqrt(self.squares / (self.learnt - 1)) if self.learnt > 1 else 0.0
        return max(spread, self.smallest_deviation)

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
        self.learnt += 1
        step = sample - self.mean
        self.mean += step / self.learnt
        self.squares += step * (sample - self.mean)
        return None
