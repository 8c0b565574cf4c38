"""Statistics of stored values over time, as arrays; pure.

One row stands for a scan or for all the scans of a minute or an hour; both combine the same way, so a long
question may be answered from what was summed up before.

Good and uncertain values enter; a bad value is absent and enters nothing but the worst status. A bucket
without a usable value has no mean, minimum or maximum: a gap stays a gap. The mean is that of the stored
scans, which a unit takes at a fixed period.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from daemon.journal.buckets import Bucket, Statistics
from daemon.journal.grid import Grid
from daemon.model import Quality

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NOT_STORED = -1
"""In place of a status: the column did not exist."""
_BAD = 0x80000000  # status codes from here on are bad


@dataclass(frozen=True, slots=True)
class Summaries:
    """Rows of statistics; arrays of shape (rows,) and (rows, columns), values in SI."""

    time: Floats
    """Time of the scan, or start of the minute, hour or bucket [POSIX s]."""
    sequence: Integers
    """Of the scan, or of the last scan in it: the order among equal times."""
    scans: Integers
    """How many scans."""
    count: Integers
    """How many usable values."""
    total: Floats
    """Their sum; 0 where there are none."""
    minimum: Floats
    """NaN where there are none."""
    maximum: Floats
    """NaN where there are none."""
    last: Floats
    """NaN where there are none."""
    worst: Integers
    """Worst OPC UA status code; ``NOT_STORED`` where the column did not exist."""

    def __len__(self) -> int:
        return len(self.time)

    def within(self, start: float, end: float) -> Summaries:
        """Return the rows with ``start <= time < end``."""
        kept = (self.time >= start) & (self.time < end)
        if kept.all():
            return self
        return Summaries(*(getattr(self, each.name)[kept] for each in fields(self)))

    def rows(self, first: int, end: int) -> Summaries:
        """Return the rows from ``first`` on and before ``end``."""
        return Summaries(*(getattr(self, each.name)[first:end] for each in fields(self)))


def of_scans(time: Floats, sequence: Integers, values: Floats, codes: Integers) -> Summaries:
    """Take scans as they are stored.

    Parameters
    ----------
    time, sequence : ndarray, shape (rows,)
        When [POSIX s] and where in the journal.
    values : ndarray of float, shape (rows, columns)
        SI; NaN where there is none.
    codes : ndarray of int, shape (rows, columns)
        OPC UA status codes; ``NOT_STORED`` where the column did not exist.
    """
    usable = ~np.isnan(values) & (codes >= 0) & (codes < _BAD)
    kept = np.where(usable, values, np.nan)
    total = np.where(usable, values, 0.0)
    return Summaries(
        time, sequence, np.ones(len(time), np.int64), usable.astype(np.int64), total, kept, kept, kept, codes
    )


def joined(parts: Sequence[Summaries], columns: int) -> Summaries:
    """Put rows from several places into the order of time, and of the journal where times are equal."""
    if not parts:
        none, wide = np.empty(0), np.empty((0, columns))
        whole, wide_whole = none.astype(np.int64), wide.astype(np.int64)
        return Summaries(none, whole, whole, wide_whole, wide, wide, wide, wide, wide_whole)
    arrays = {
        each.name: np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(Summaries)
    }
    order = np.lexsort((arrays["sequence"], arrays["time"]))
    if (order[1:] < order[:-1]).any():
        arrays = {name: array[order] for name, array in arrays.items()}
    return Summaries(**arrays)


def combined(rows: Summaries, grid: Grid) -> Summaries:
    """Combine rows that are in the order of time into one for each bucket that holds a scan."""
    if not len(rows):
        return rows
    starts = grid.starts(rows.time)
    heads = np.flatnonzero(np.concatenate(([True], starts[1:] != starts[:-1])))
    if len(heads) == len(rows):  # each in a bucket of its own, as minutes asked for minutes are
        return replace(rows, time=starts)
    some = rows.count > 0
    place = np.where(some, np.arange(len(rows))[:, None], -1)
    newest = np.maximum.reduceat(place, heads, axis=0)
    last = np.take_along_axis(rows.last, np.maximum(newest, 0), axis=0)
    return Summaries(
        starts[heads],
        np.maximum.reduceat(rows.sequence, heads),
        np.add.reduceat(rows.scans, heads),
        np.add.reduceat(rows.count, heads, axis=0),
        np.add.reduceat(rows.total, heads, axis=0),
        np.fmin.reduceat(rows.minimum, heads, axis=0),
        np.fmax.reduceat(rows.maximum, heads, axis=0),
        np.where(newest < 0, np.nan, last),
        np.maximum.reduceat(rows.worst, heads, axis=0),
    )


def means(rows: Summaries) -> Floats:
    """Return the means; NaN where there is no usable value."""
    none = rows.count == 0
    mean = np.divide(rows.total, rows.count, out=np.full(rows.total.shape, np.nan), where=~none)
    inside: Floats = np.clip(mean, rows.minimum, rows.maximum)  # rounding must not leave the band
    return inside


# As ``_make``, without a call of Python for each of what may be hundreds of thousands.
_statistics: Callable[[tuple[object, ...]], Statistics] = functools.partial(tuple.__new__, Statistics)
_bucket: Callable[[tuple[object, ...]], Bucket] = functools.partial(tuple.__new__, Bucket)


def to_buckets(rows: Summaries) -> Iterator[Bucket]:
    """Yield rows as buckets."""
    quality = np.array([Quality.GOOD, Quality.UNCERTAIN, Quality.BAD], dtype=object)
    mean = means(rows)
    columns: list[list[Statistics | None]] = []
    for at in range(rows.worst.shape[1]):
        count, worst = rows.count[:, at], rows.worst[:, at]
        parts = (mean, rows.minimum, rows.maximum, rows.last)
        cells = [array[:, at].tolist() for array in parts]
        cells += [quality[np.maximum(worst, 0) >> 30].tolist(), count.tolist()]
        statistics: list[Statistics | None] = list(map(_statistics, zip(*cells, strict=True)))
        for row in np.flatnonzero(count == 0).tolist():
            none = None if worst[row] < 0 else quality[worst[row] >> 30]
            statistics[row] = none if none is None else Statistics(None, None, None, None, none, 0)
        columns.append(statistics)
    of_each = zip(*columns, strict=True) if columns else [()] * len(rows)
    yield from map(_bucket, zip(rows.time.tolist(), rows.scans.tolist(), of_each, strict=True))
