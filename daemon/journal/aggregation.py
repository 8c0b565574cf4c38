"""Statistics over time from journal and archive together, from what is summed up already where it may be.

A question over whole hours is answered from files of hours, one over whole minutes from files of minutes, and
only the edges of its span from single scans. What the archive has not summed up yet is summed up from scans.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from daemon.journal.archived import Archive
from daemon.journal.columns import Column
from daemon.journal.errors import TooManyRows
from daemon.journal.grid import DAY, Grid
from daemon.journal.manifest import HOURS, MINUTES, SCANS, ArchivedPart
from daemon.journal.stored import Live, StoredScans
from daemon.journal.summaries import Summaries, combined, joined

_CELLS = 400_000
"""Values that are held in memory at a time, about."""
_FINER = {HOURS: MINUTES, MINUTES: SCANS}

Piece = tuple[int, float, float]
"""Seconds of a row (0: scans), and a span."""


def pieces_of(grid: Grid, start: float, end: float) -> list[Piece]:
    """Cut a span into the longest rows of which buckets consist and, at its edges, what is finer."""
    level = next((level for level in (HOURS, MINUTES) if grid.whole(level)), SCANS)
    return _pieces(level, start, end)


class Aggregation:
    """Sums up what archive and journal hold.

    Parameters
    ----------
    archive : Archive
        The archive's part.
    scans : StoredScans
        The journal's part.
    """

    def __init__(self, archive: Archive, scans: StoredScans) -> None:
        self._archive, self._scans = archive, scans

    def count(self, unit: int, pieces: Sequence[Piece], limit: int) -> float:
        """Count the rows that will be read, a file across an edge by its share; stops beyond the limit."""
        count = 0.0
        for level, start, end in pieces:
            above, parts = self._archive.answering(unit, level, start, end)
            for part in parts:
                inside = min(end, part.finish) - max(start, part.start)
                length = part.finish - part.start
                count += part.rows if inside >= length else part.rows * max(0.0, inside) / length
            count += self._scans.count((unit, above), start, end, limit)
        return count

    def limit(self, unit: int, pieces: Sequence[Piece], most: int) -> None:
        """Refuse a question that would read more than ``most`` rows.

        Raises
        ------
        TooManyRows
            It would.
        """
        if self.count(unit, pieces, most) > most:
            finest = "scans" if all(level == SCANS for level, _, _ in pieces) else "rows"
            raise TooManyRows(
                f"more than {most} {finest} would have to be read for the two times; ask for a shorter span, "
                "or for aggregates of it, best over whole minutes or hours"
            )

    def buckets(
        self, unit: int, columns: Sequence[Column], pieces: Sequence[Piece], grid: Grid
    ) -> Iterator[Summaries]:
        """Yield a row for each bucket that holds a scan, some thousands at a time, in the order of time."""
        waiting: Summaries | None = None  # the newest bucket may go on in what comes next
        for level, start, end in pieces:
            for rows in self._summaries(unit, columns, level, start, end):
                found = combined(joined([rows] if waiting is None else [waiting, rows], len(columns)), grid)
                if len(found) > 1:
                    yield found.rows(0, len(found) - 1)
                waiting = found.rows(len(found) - 1, len(found))
        if waiting is not None:
            yield waiting

    def _summaries(
        self, unit: int, columns: Sequence[Column], level: int, start: float, end: float
    ) -> Iterator[Summaries]:
        """Yield rows of a span in the order of time, some at a time: of the archive and of the journal."""
        above, parts = self._archive.answering(unit, level, start, end)
        live: Live = (unit, above)
        extent = self._scans.extent(live, start, end)
        begins = [max(start, part.start) for part in parts] + ([extent[0]] if extent else [])
        if not begins:
            return
        ends = [min(end, part.finish + max(part.width, 1)) for part in parts] + (
            [extent[1]] if extent else []
        )
        step = max(1, level) * _CELLS / max(1, len(columns))
        step = max(step // DAY * DAY, DAY) if level else min(max(step // 3600 * 3600, 3600.0), DAY)
        low = math.floor(min(begins) / step) * step
        while low <= max(ends):
            high = low + step
            inside = max(start, low), min(end, high)
            found = self._archived(parts, columns, inside)
            if extent and extent[0] < inside[1] and extent[1] >= inside[0]:
                found += self._summed_up(live, columns, level, inside)
            if found:
                yield joined(found, len(columns))
            elif not any(part.start < high + step and part.finish >= low for part in parts):
                later = [begin for begin in begins if begin >= high]  # leap over a long gap
                high = max(high, math.floor(min(later, default=high) / step) * step)
            low = high

    def _archived(
        self, parts: Sequence[ArchivedPart], columns: Sequence[Column], span: tuple[float, float]
    ) -> list[Summaries]:
        found = (
            self._archive.summaries(part, columns, *span)
            for part in parts
            if part.start < span[1] and part.finish + part.width >= span[0]
        )
        return [rows for rows in found if rows is not None and len(rows)]

    def _summed_up(
        self, live: Live, columns: Sequence[Column], level: int, span: tuple[float, float]
    ) -> Iterator[Summaries]:
        """Yield the journal's scans of a span, page by page summed up as far as the question allows."""
        for rows in self._scans.summaries(live, columns, *span):
            yield combined(rows, Grid(float(level))) if level and len(rows) else rows


def _pieces(level: int, start: float, end: float) -> list[Piece]:
    if start >= end:
        return []
    if level == SCANS:
        return [(SCANS, start, end)]
    low, high = math.ceil(start / level) * level, math.floor(end / level) * level
    if low >= high:
        return _pieces(_FINER[level], start, end)
    finer = _FINER[level]
    return [*_pieces(finer, start, low), (level, low, high), *_pieces(finer, high, end)]
