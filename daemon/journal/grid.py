"""Where time buckets begin: equal widths, or days and hours of a zone with its changes of the clock; pure."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
DAY = 86400.0
_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Grid:
    """Buckets of one width.

    Below an hour, and in UTC, buckets are counted from 1970-01-01 UTC. From an hour on they follow the clock
    on the wall of the zone: a width that divides a day begins anew at every midnight, whole days begin at
    midnight. The day on which the clocks change is then 23 or 25 h long, and so is its bucket; the hour that
    comes twice is two hours. A width that neither divides a day nor is whole days is counted from 1970.

    Parameters
    ----------
    width : float
        Width of a bucket [s], > 0.
    zone : tzinfo
        Whose midnights count.

    Raises
    ------
    ValueError
        ``width`` is not above zero.
    """

    width: float
    zone: datetime.tzinfo = datetime.UTC

    def __post_init__(self) -> None:
        if not self.width > 0:
            raise ValueError(f"a bucket of {self.width:g} s has no width")

    @property
    def follows_the_wall(self) -> bool:
        """Whether the zone matters."""
        fits = self.width % DAY == 0 or (self.width >= _HOUR and DAY % self.width == 0)
        return fits and self.zone is not datetime.UTC

    def starts(self, time: Floats) -> Floats:
        """Return the start of the bucket that each time falls into [POSIX s]."""
        if not self.follows_the_wall or not len(time):
            return np.floor(time / self.width) * self.width
        edges = self._edges(float(time.min()), float(time.max()))
        return edges[np.searchsorted(edges, time, side="right") - 1]

    def start(self, time: float) -> float:
        """Return the start of the bucket that a time falls into."""
        if not self.follows_the_wall:
            return math.floor(time / self.width) * self.width
        return float(self.starts(np.array([time]))[0])

    def after(self, start: float) -> float:
        """Return the end of the bucket that begins at ``start``."""
        if not self.follows_the_wall:
            return start + self.width
        edges = self._edges(start, start + self.width + 2 * DAY)
        return float(edges[np.searchsorted(edges, start, side="right")])

    def whole(self, step: float) -> bool:
        """Whether every bucket consists of whole steps counted from 1970, such as minutes or hours."""
        if self.width % step:
            return False
        if not self.follows_the_wall or step <= 60.0:
            return True
        # Zones are a quarter, a half or whole hours off UTC; some change in the course of their history.
        return all(
            (datetime.datetime(year, month, 15, tzinfo=self.zone).utcoffset() or datetime.timedelta())
            % datetime.timedelta(seconds=step)
            == datetime.timedelta()
            for year in (1990, 2000, 2010, 2020, 2026, 2030)
            for month in (1, 7)
        )

    def _edges(self, first: float, last: float) -> Floats:
        days = max(1, round(self.width / DAY))
        begin = datetime.datetime.fromtimestamp(first, self.zone).date().toordinal()
        begin -= begin % days + days
        end = datetime.datetime.fromtimestamp(last, self.zone).date().toordinal() + 2 * days
        step = min(self.width, DAY)
        found: set[float] = set()
        for ordinal in range(begin, end + 1, days):
            midnight = datetime.datetime.combine(datetime.date.fromordinal(ordinal), datetime.time())
            for count in range(round(DAY / step)):
                wall = (midnight + datetime.timedelta(seconds=count * step)).replace(tzinfo=self.zone)
                # An hour that comes twice begins twice; one that is left out falls onto its neighbours.
                found |= {wall.timestamp(), wall.replace(fold=1).timestamp()}
        return np.array(sorted(found))
