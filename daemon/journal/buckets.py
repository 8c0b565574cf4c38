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

_BAD = 0x80000000  # status codes from here on are bad

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


class _Gathered:
    """What one column has brought in the present bucket."""

    __slots__ = ("codes", "values")

    def __init__(self) -> None:
        self.codes: set[int] = set()
        self.values: list[float] = []

    def result(self) -> Statistics | None:
        if not self.codes:
            return None
        worst = Quality(max(self.codes) >> 30)
        values = self.values
        if not values:
            return Statistics(None, None, None, None, worst, 0)
        low, high = min(values), max(values)
        mean = min(max(math.fsum(values) / len(values), low), high)  # rounding must not leave the band
        return Statistics(mean, low, high, values[-1], worst, len(values))


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
    gathered: list[_Gathered] = []
    for time, points in rows:
        at = bucket_start(time, width)
        if at != start:
            if scans:
                yield Bucket(start, scans, tuple(each.result() for each in gathered))
            start, scans, gathered = at, 0, [_Gathered() for _ in range(columns)]
        scans += 1
        for each, point in zip(gathered, points, strict=True):
            if point is None:
                continue
            value, status = point
            each.codes.add(status)
            if value is not None and status < _BAD:
                each.values.append(value)
    if scans:
        yield Bucket(start, scans, tuple(each.result() for each in gathered))
