"""The journal's part of an answer about values: scans for which no archive file answers.

Long answers are read in pages, each a short look at the file: a slow reader neither holds up the daemon nor
makes its files grow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from daemon.journal.blocks import StoredScan, columns_of, read_block
from daemon.journal.columns import Column
from daemon.journal.packing import DamagedRow, Layout, ScanRow
from daemon.journal.reading import EntrySource, Reader
from daemon.journal.rows import Row, Sample
from daemon.journal.summaries import Summaries, of_scans

_PAGE = 2000
_CELLS = 100_000
"""Values that a page of statistics holds, about."""

Live = tuple[int, int]
"""Number of a unit, and the sequence above which the journal answers for it."""


class StoredScans:
    """Scans in the journal itself.

    Parameters
    ----------
    reader : Reader
        Asks the journal's file.
    source : EntrySource
        Opens rows, and counts those that are damaged.
    """

    def __init__(self, reader: Reader, source: EntrySource) -> None:
        self._ask, self._source = reader, source

    def rows(self, unit: Live, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
        """Yield the scans of a span in the order of time."""
        places: dict[int, list[int | None]] = {}
        for page in self._pages(unit, start, end, _PAGE):
            for sequence, time, layout, body in page:
                try:
                    row = self._source.open_scan(layout, body)
                except DamagedRow:
                    self._source.damaged += 1
                    continue
                if layout not in places:
                    places[layout] = _places(row.layout, columns)
                yield _row(sequence, time, row, places[layout])

    def summaries(
        self, unit: Live, columns: Sequence[Column], start: float, end: float
    ) -> Iterator[Summaries]:
        """Yield the scans of a span as arrays, some thousands at a time, in the order of time."""
        for page in self._pages(unit, start, end, max(_PAGE, _CELLS // max(1, len(columns)))):
            block = read_block(page, self._source.layout, columns, everything=False)
            self._source.damaged += block.damaged
            yield of_scans(block.time, block.sequence, block.values, block.codes)

    def last(self, unit: int, columns: Sequence[Column]) -> Row | None:
        """Return the scan with the highest sequence, whether or not the archive answers for it too."""
        rows = self._ask(
            "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
            "ORDER BY sequence DESC LIMIT 1",
            (unit,),
        )
        for sequence, time, layout, body in rows:
            row = self._source.open_scan(layout, body)
            return _row(sequence, time, row, _places(row.layout, columns))
        return None

    def span(self, unit: int) -> tuple[float, float] | None:
        """Return the earliest and the latest time of what lies there; ``None`` when nothing does."""
        rows = self._ask(
            "SELECT (SELECT min(time) FROM entry WHERE kind = 1 AND unit = ?1), "
            "(SELECT max(time) FROM entry WHERE kind = 1 AND unit = ?1)",
            (unit,),
        )
        first, last = rows[0]
        return None if first is None else (first, last)

    def extent(self, unit: Live, start: float, end: float) -> tuple[float, float] | None:
        """Return the earliest and the latest time in a span for which the journal answers."""
        question = (
            "SELECT time FROM entry WHERE kind = 1 AND unit = ? AND time >= ? AND time < ? AND sequence > ? "
            "ORDER BY time {} LIMIT 1"
        )
        values = (unit[0], start, end, unit[1])
        first = self._ask(question.format("ASC"), values)
        return (first[0][0], self._ask(question.format("DESC"), values)[0][0]) if first else None

    def count(self, unit: Live, start: float, end: float, limit: int) -> int:
        """Count the scans of a span; goes no further than one more than the limit."""
        found = self._ask(
            "SELECT count(*) FROM (SELECT 1 FROM entry "
            "WHERE kind = 1 AND unit = ? AND time >= ? AND time < ? AND sequence > ? LIMIT ?)",
            (unit[0], start, end, unit[1], limit + 1),
        )
        return int(found[0][0])

    def _pages(self, unit: Live, start: float, end: float, size: int) -> Iterator[list[StoredScan]]:
        number, above = unit
        time, sequence = start, -1
        while True:
            page: list[StoredScan] = self._ask(
                "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
                "AND (time, sequence) > (?, ?) AND time < ? AND sequence > ? ORDER BY time, sequence LIMIT ?",
                (number, time, sequence, end, above, size),
            )
            if page:
                yield page
                sequence, time = page[-1][:2]
            if len(page) < size:
                return


def _places(layout: Layout, columns: Sequence[Column]) -> list[int | None]:
    index = {column: place for place, column in enumerate(columns_of(layout))}
    return [index.get(column) for column in columns]


def _row(sequence: int, time: float, row: ScanRow, places: Sequence[int | None]) -> Row:
    signals = len(row.layout.signals)
    samples: list[Sample | None] = []
    for at in places:
        if at is None:
            samples.append(None)
            continue
        status, reason = row.verdict(at)
        source_time = row.stamp(at)[0] if at < signals else time
        samples.append(Sample(row.value(at), row.uncertainty(at), status, reason, source_time))
    return Row(sequence, time, row.state, tuple(samples))
