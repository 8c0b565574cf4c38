"""From counts and contacts to strokes in time, and from strokes in time to a rate with its uncertainty.

Theory
------
A counter that is read at times t0 and t1 and grew by n says that n strokes fell into (t0, t1]. For a pump
that strokes evenly the last of them lies within w = (t1 - t0) / n before t1, with equal chance anywhere, so
its time is t1 - w/2 with a standard uncertainty of w / sqrt(12) (rectangular distribution, JCGM 100:2008,
4.3.7). One such *sighting* holds for a slow counter with many strokes between two readings as for a fast one
with many readings between two strokes. The rate over a stretch is the number of strokes between its first
and last sighting over the time between them; only the two ends are uncertain, so six strokes a minute, read
once a second, are known to 1 % after four strokes: there is no quantisation to average away.

Between strokes the rate can only be bounded: no stroke for a time T means a rate of at most 1/T. That bound
falls from scan to scan, so a stall shows as soon as a stroke is overdue and waits for no window.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

SIGHTINGS = 64
"""Sightings kept."""
ENOUGH = 0.01
"""Relative standard uncertainty of the rate at which no older sighting is needed."""
LEAST_INTERVALS = 4
"""Intervals that a rate takes in where it can, so that an uneven pump's strokes even out."""
LONGEST_SPAN = 300.0
"""A rate looks back no further than this [s]."""
CHANGE = 0.30
"""An older interval that differs by more than this from the newer ones belongs to another speed."""
STATISTICS = 24
"""Newest intervals from which regularity is judged."""

StepKind = Literal["first", "counted", "rolled over", "reset"]


@dataclass(frozen=True, slots=True)
class CounterStep:
    """What a new counter value means: how it came about and how many strokes it adds."""

    kind: StepKind
    strokes: float


def counter_step(previous: float | None, value: float, modulus: float, most: float) -> CounterStep:
    """Interpret a totalizing counter's new value.

    A counter that grew by no more than can be, counted. One that fell has rolled over if that explains it
    with no more strokes than can be; else it was reset, and a reset adds nothing: what was pumped around
    it is not known. A counter that grew by more than can be was set by somebody, which is a reset too.

    Parameters
    ----------
    previous, value : float
        Value before (``None`` at first) and now [strokes].
    modulus : float
        Strokes after which the counter starts again at its lowest value.
    most : float
        Most strokes that the pump can have made in between.
    """
    if previous is None:
        return CounterStep("first", 0.0)
    grown = value - previous
    if 0.0 <= grown <= most:
        return CounterStep("counted", grown)
    if grown < 0.0 and 0.0 < grown + modulus <= most:
        return CounterStep("rolled over", grown + modulus)
    return CounterStep("reset", 0.0)


@dataclass(frozen=True, slots=True)
class Sighting:
    """The newest stroke of one observation: it lies within ``width`` seconds before ``time``."""

    time: float
    width: float
    total: float

    @property
    def middle(self) -> float:
        """Most likely time of the stroke."""
        return self.time - 0.5 * self.width


@dataclass(frozen=True, slots=True)
class Regularity:
    """Interval statistics: mean interval [s], and its standard deviation over the mean [-], quantisation out.

    ``uncertainty`` is the standard uncertainty of ``variation``.
    """

    interval: float
    variation: float
    uncertainty: float


class StrokeTimeline:
    """Strokes on the monitor's time line: what was seen, until when it was looked, what follows.

    ``stopped_after`` is the time without a stroke after which the pump counts as stopped [s].
    """

    def __init__(self, stopped_after: float) -> None:
        self.stopped_after = stopped_after
        self.total = 0.0
        self._sightings: deque[Sighting] = deque(maxlen=SIGHTINGS)
        self._watched_since: float | None = None
        self._watched_until = 0.0
        self._rate: tuple[float, float] | None = None
        self._regularity: Regularity | None = None

    @property
    def watched_until(self) -> float:
        """Time of the newest observation."""
        return self._watched_until

    def observe(self, strokes: float, since: float, until: float, width: float | None = None) -> None:
        """Take in that ``strokes`` fell into (``since``, ``until``]; they may be none.

        The last of them lies within ``width`` seconds before ``until``; where that is not known, within what
        an even pump makes of it.

        Raises
        ------
        ValueError
            Time or count would go back.
        """
        if until < since or until < self._watched_until or strokes < 0.0:
            raise ValueError(f"{strokes} strokes from {since} to {until} after {self._watched_until}")
        if self._watched_since is None:
            self._watched_since = since
        self._watched_until = until
        if strokes <= 0.0:
            return
        self.total += strokes
        if self._sightings and since - self._sightings[-1].time >= self.stopped_after:
            self._sightings.clear()  # it stood still: the interval across the stop is no stroke interval
            self._rate = None
        spread = (until - since) / strokes if width is None else width
        self._sightings.append(Sighting(until, spread, self.total))
        self._rate = self._rate_over_window() or self._rate
        self._regularity = self._interval_statistics()

    def blind_until(self, time: float) -> None:
        """Take in that strokes up to ``time`` may have been missed: start anew, keep the rate for now."""
        self._sightings.clear()
        self._regularity = None
        self._watched_since = time
        self._watched_until = max(time, self._watched_until)

    @property
    def stroke_seen(self) -> bool:
        """Whether a stroke has been seen since watching began; else all times count from that."""
        return bool(self._sightings)

    @property
    def settled(self) -> bool:
        """Whether the rate rests on strokes seen since watching began or began anew."""
        return len(self._sightings) >= 2

    @property
    def time_since_stroke(self) -> tuple[float, float] | None:
        """Time from the last stroke to the newest observation [s] and its standard uncertainty [s]."""
        if self._watched_since is None:
            return None
        if not self._sightings:
            return self._watched_until - self._watched_since, 0.0
        last = self._sightings[-1]
        return self._watched_until - last.middle, last.width / math.sqrt(12.0)

    @property
    def stopped(self) -> bool:
        """Whether no stroke was seen for so long that the pump stands."""
        return self._strokeless >= self.stopped_after

    @property
    def rate(self) -> tuple[float, float] | None:
        """Stroke rate [strokes/s] and its standard uncertainty; ``None`` until two strokes were seen.

        Exactly zero when the pump stands. An overdue stroke bounds the rate from above; where the bound is
        at work the rate lies anywhere from it down to zero, or up to what it was.
        """
        idle = self._strokeless
        if idle >= self.stopped_after:
            return 0.0, 1.0 / (idle * math.sqrt(12.0))
        if self._rate is None:
            return None
        value, uncertainty = self._rate
        if idle <= 0.0 or value * idle <= 1.0:
            return value, uncertainty
        bound = 1.0 / idle
        spread = min(value - bound, bound) / math.sqrt(12.0)
        return bound, max(uncertainty / value * bound, spread)

    @property
    def regularity(self) -> Regularity | None:
        """Interval statistics; ``None`` with too few intervals, or read too slowly to tell strokes apart."""
        return self._regularity

    @property
    def _strokeless(self) -> float:
        """Time up to the newest observation in which there surely was no stroke."""
        if self._watched_since is None:
            return 0.0
        begin = self._sightings[-1].time if self._sightings else self._watched_since
        return self._watched_until - begin

    def _rate_over_window(self) -> tuple[float, float] | None:
        """Go back over the sightings until the rate is known well enough or the speed was another."""
        newest = self._sightings[-1]
        best: tuple[float, float] | None = None
        later = newest
        for index in range(len(self._sightings) - 2, -1, -1):
            older = self._sightings[index]
            span = newest.middle - older.middle
            if span <= 0.0:
                continue
            count = newest.total - older.total
            if best is not None and newest.total - later.total >= 2.0:
                interval = (later.middle - older.middle) / (later.total - older.total)
                slack = CHANGE / best[0] + 4.0 * _end_uncertainty(later, older)
                if abs(interval - 1.0 / best[0]) > slack:
                    break
            if best is not None and span > LONGEST_SPAN:
                break
            relative = _end_uncertainty(newest, older) / span
            best = count / span, count / span * relative
            if relative <= ENOUGH and count >= LEAST_INTERVALS:
                break
            later = older
        return best

    def _interval_statistics(self) -> Regularity | None:
        intervals: list[float] = []
        quantisation: list[float] = []
        newest = list(self._sightings)[-STATISTICS - 1 :]
        for older, later in itertools.pairwise(newest):
            if later.total - older.total == 1.0:
                intervals.append(later.middle - older.middle)
                quantisation.append(_end_uncertainty(later, older) ** 2)
        if len(intervals) < 6:
            return None
        mean = statistics.fmean(intervals)
        noise = math.sqrt(statistics.fmean(quantisation))
        if noise > 0.25 * mean:
            return None
        variance = statistics.variance(intervals, mean) - noise**2
        variation = math.sqrt(max(variance, 0.0)) / mean
        uncertainty = math.hypot(variation, noise / mean) / math.sqrt(2.0 * (len(intervals) - 1))
        return Regularity(mean, variation, uncertainty)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        regularity = self._regularity
        return {
            "total": self.total,
            "sightings": [[seen.time, seen.width, seen.total] for seen in self._sightings],
            "watched": [self._watched_since, self._watched_until],
            "rate": self._rate,
            "regularity": None
            if regularity is None
            else [regularity.interval, regularity.variation, regularity.uncertainty],
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self.total = state["total"]
        self._sightings = deque((Sighting(*seen) for seen in state["sightings"]), maxlen=SIGHTINGS)
        self._watched_since, self._watched_until = state["watched"]
        self._rate = None if state["rate"] is None else (state["rate"][0], state["rate"][1])
        self._regularity = None if state["regularity"] is None else Regularity(*state["regularity"])


def _end_uncertainty(one: Sighting, other: Sighting) -> float:
    """Return the standard uncertainty of the time between two sightings [s]."""
    return math.sqrt((one.width**2 + other.width**2) / 12.0)


class ContactEdges:
    """Finds the closings of a contact that is sampled: a stroke lies between an open and a closed sample."""

    def __init__(self) -> None:
        self._closed: bool | None = None
        self._time = 0.0

    @property
    def time(self) -> float | None:
        """Time of the newest sample, ``None`` before the first."""
        return None if self._closed is None else self._time

    def sample(self, time: float, *, closed: bool) -> tuple[int, float]:
        """Take a sample; return the closings since the one before (0 or 1) and the time of that one."""
        before = time if self._closed is None else self._time
        closings = int(closed and self._closed is False)
        self._closed, self._time = closed, time
        return closings, before

    def forget(self) -> None:
        """Forget the last sample: between it and the next one closings may have been missed."""
        self._closed = None

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"closed": self._closed, "time": self._time}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._closed, self._time = state["closed"], state["time"]
