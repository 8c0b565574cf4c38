"""When to do what is done again and again: ticks that neither drift nor pile up.

Pure: every question carries its ``now``. A tick that could not be taken in time is left out and counted,
never made up for later, so a slow controller is scanned less often instead of building a backlog.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable

_GOLDEN_RATIO = (math.sqrt(5) - 1) / 2


def stagger(index: int) -> float:
    """Return the phase of the ``index``-th of any number of pollers, as a share of its period, 0 to 1.

    Multiples of the golden ratio spread any first n of them evenly (three-distance theorem), so that
    controllers with the same period do not all start in the same millisecond.
    """
    return index * _GOLDEN_RATIO % 1.0


class Ticks:
    """Times ``start + phase * period + n * period``.

    Parameters
    ----------
    period : float
        Time between two ticks [s], above 0.
    start : float
        Any moment [monotonic s]; the first tick is less than one period after it.
    phase : float
        Share of the period by which the first tick comes after ``start``, 0 to 1.
    """

    def __init__(self, period: float, start: float, phase: float = 0.0) -> None:
        if not period > 0.0:
            raise ValueError(f"a period of {period} s is none")
        self._period = period
        self._origin = start + (phase % 1.0) * period
        self._count = 0
        self.skipped = 0

    @property
    def due(self) -> float:
        """When the next tick is due [monotonic s]. Multiplied, not summed: nothing drifts."""
        return self._origin + self._count * self._period

    def take(self, now: float) -> float:
        """Take the tick that is due and move on to the first one that is not yet past.

        Returns
        -------
        float
            How late the tick was taken [s].

        Raises
        ------
        ValueError
            No tick is due yet.
        """
        late = now - self.due
        if late < 0.0:
            raise ValueError(f"the next tick is due in {-late:.3f} s")
        missed = math.floor(late / self._period)
        self.skipped += missed
        self._count += missed + 1
        return late - missed * self._period


class Distribution:
    """Counts of a duration by size, small enough to keep for every controller.

    Parameters
    ----------
    bounds : tuple of float
        Upper bounds of the classes [s], rising; one more class holds what is above the last.
    """

    BOUNDS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)

    __slots__ = ("bounds", "counts", "largest", "last", "total")

    def __init__(self, bounds: tuple[float, ...] = BOUNDS) -> None:
        self.bounds = bounds
        self.counts = [0] * (len(bounds) + 1)
        self.last = 0.0
        self.largest = 0.0
        self.total = 0.0

    def add(self, seconds: float) -> None:
        """Count one duration."""
        self.counts[bisect.bisect_left(self.bounds, seconds)] += 1
        self.last = seconds
        self.largest = max(self.largest, seconds)
        self.total += seconds

    @classmethod
    def merged(cls, parts: Iterable[Distribution]) -> Distribution:
        """Add up distributions that have the standard bounds."""
        whole = cls()
        for part in parts:
            whole.counts = [mine + theirs for mine, theirs in zip(whole.counts, part.counts, strict=True)]
            whole.largest = max(whole.largest, part.largest)
            whole.total += part.total
            whole.last = part.last
        return whole

    @property
    def count(self) -> int:
        """How many durations have been counted."""
        return sum(self.counts)

    def quantile(self, share: float) -> float:
        """Return the upper bound of the class in which the given share (0 to 1) is reached [s].

        Above the last bound it is the largest duration seen; 0 while nothing has been counted.
        """
        wanted = share * self.count
        seen = 0
        for bound, count in zip(self.bounds, self.counts, strict=False):
            seen += count
            if seen >= wanted and seen:
                return min(bound, self.largest)
        return self.largest
