"""Aggregation of stored values into time buckets; pure.

Good and uncertain values enter; a bad value is absent and enters nothing but the worst quality. A bucket
without a usable value has no mean, minimum or maximum: a gap stays a gap. The mean is that of the stored
scans, which a unit takes at a fixed period.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from daemon.model import Quality, Status

Point = tuple[float | None, Status]


@dataclass(frozen=True, slots=True)
class Statistics:
    """One column over one bucket [SI]. ``count`` is how many usable values entered."""

    mean: float | None
    minimum: float | None
    maximum: float | None
    last: float | None
    worst: Quality
    count: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """All asked columns over ``start <= time < start + width``; ``None`` where a column did not exist."""

    start: float
    scans: int
    statistics: tuple[Statistics | None, ...]


class _Sums:
    __slots__ = ("count", "last", "maximum", "minimum", "seen", "total", "worst")

    def __init__(self) -> None:
        self.seen = False
        self.count = 0
        self.total = 0.0
        self.minimum = math.inf
        self.maximum = -math.inf
        self.last = 0.0
        self.worst = 0

    def add(self, value: float | None, status: Status) -> None:
        self.seen = True
        severity = status >> 30
        self.worst = max(self.worst, severity)
        if value is None or severity >= 2:
            return
        self.count += 1
        self.total += value
        self.last = value
        self.minimum = min(self.minimum, value)
        self.maximum = max(self.maximum, value)

    def result(self) -> Statistics | None:
        if not self.seen:
            return None
        worst = Quality(self.worst)
        if not self.count:
            return Statistics(None, None, None, None, worst, 0)
        mean = min(
            max(self.total / self.count, self.minimum), self.maximum
        )  # rounding must not leave the band
        return Statistics(mean, self.minimum, self.maximum, self.last, worst, self.count)


def bucket_start(time: float, width: float) -> float:
    """Return the start of the bucket that a time falls into; buckets are counted from 1970-01-01 UTC."""
    return math.floor(time / width) * width


def aggregate(
    rows: Iterable[tuple[float, Sequence[Point | None]]], columns: int, width: float
) -> Iterator[Bucket]:
    """Put rows into buckets.

    Parameters
    ----------
    rows : iterable of (time, points)
        In the order of time; a point is ``None`` where the column did not exist.
    columns : int
        Number of points in a row.
    width : float
        Width of a bucket [s], > 0.

    Yields
    ------
    Bucket
        Only buckets that hold a scan.
    """
    if width <= 0:
        raise ValueError(f"a bucket of {width:g} s has no width")
    start, scans = math.nan, 0
    sums: list[_Sums] = []
    for time, points in rows:
        at = bucket_start(time, width)
        if at != start:
            if scans:
                yield Bucket(start, scans, tuple(each.result() for each in sums))
            start, scans, sums = at, 0, [_Sums() for _ in range(columns)]
        scans += 1
        for each, point in zip(sums, points, strict=True):
            if point is not None:
                each.add(*point)
    if scans:
        yield Bucket(start, scans, tuple(each.result() for each in sums))
