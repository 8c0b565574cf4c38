"""Questions to a journal and its archive: values, aggregates, newest values, alarms and events.

Opens the file for reading only, so it works beside a running daemon, on the file of a stopped one and on a
copy. Long answers are read in pages, each a short look at the file: a slow reader neither holds up the
daemon nor makes its files grow. Times are POSIX seconds UTC; a span includes its start and not its end.
"""

from __future__ import annotations

import datetime
import heapq
import math
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from daemon.journal import schema
from daemon.journal.archived import Archive
from daemon.journal.blocks import StoredScan, columns_of, read_block
from daemon.journal.buckets import Bucket
from daemon.journal.columns import Column
from daemon.journal.errors import JournalError, JournalUnusable, NotStored, TooManyRows
from daemon.journal.grid import DAY, Grid
from daemon.journal.integrity import verify
from daemon.journal.manifest import HOURS, MINUTES, SCANS, ArchivedPart, DiskUse, usage
from daemon.journal.packing import DamagedRow, Layout, ScanRow
from daemon.journal.reading import EntrySource
from daemon.journal.rows import Row, Sample
from daemon.journal.schema import KIND_NUMBERS
from daemon.journal.summaries import Summaries, combined, joined, of_scans, to_buckets
from daemon.model import Entry, EntryKind

__all__ = ["Bucket", "Column", "History", "Row", "Sample"]

_PAGE = 2000
_CELLS = 400_000
"""Values that an aggregate holds in memory at a time, about."""
_Live = tuple[int, int]
"""Number of a unit, and the sequence above which the journal answers for it."""
_FINER = {HOURS: MINUTES, MINUTES: SCANS}
RECORDS = frozenset({EntryKind.ALARM, EntryKind.EVENT})


class History:
    """A journal opened for questions; a context manager. For one thread at a time.

    Parameters
    ----------
    path : Path
        The journal's file.

    Raises
    ------
    JournalUnusable
        No such file, not a journal, or of another version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._connection = schema.connect_reader(path)
        except sqlite3.Error as error:
            raise JournalUnusable(f"{path}: cannot be read: {error}") from error
        self._source = EntrySource(self._connection)
        self._archive = Archive(self._connection, path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    @property
    def damaged(self) -> int:
        """Rows that were passed over because they did not match their check sum."""
        return self._source.damaged

    @property
    def unreadable(self) -> list[str]:
        """What is wrong with archive files that could not be read; answers are without what they hold."""
        return list(self._archive.unreadable.values())

    @property
    def identity(self) -> str:
        """Random id of the journal file."""
        return str(self._rows("SELECT value FROM meta WHERE key = 'identity'")[0][0])

    @property
    def disk_use(self) -> DiskUse:
        """What journal and archive take on the disk."""
        return usage(self._connection, self.path)

    def verify(self) -> list[str]:
        """Check the file and every archive file; return what is wrong. Slow on large ones."""
        try:
            return verify(self._connection) + self._archive.verify()
        except sqlite3.Error as error:
            return [str(error)]

    # ------------------------------------------------------------------ what there is

    def units(self) -> list[str]:
        """Names of the units that have stored values."""
        rows = self._rows("SELECT name FROM unit WHERE id IN (SELECT unit FROM layout) ORDER BY name")
        return [row[0] for row in rows]

    def columns(self, unit: str) -> list[Column]:
        """Every series that a unit has or once had, in the order of the newest layout first."""
        rows = self._rows("SELECT columns FROM layout WHERE unit = ? ORDER BY id DESC", (self._unit(unit),))
        found: dict[Column, None] = {}
        for (text,) in rows:
            found |= dict.fromkeys(columns_of(Layout.from_json(text)))
        return list(found)

    def resolve(self, unit: str, names: Sequence[str]) -> list[Column]:
        """Find columns by name: ``signal:x``, ``result:x``, or ``x`` for all of that name.

        Raises
        ------
        NotStored
            A name that the unit never had; the message lists the names there are.
        """
        known = self.columns(unit)
        found: dict[Column, None] = {}
        for name in names:
            matches = [column for column in known if name in {column.name, str(column)}]
            if not matches:
                there = ", ".join(sorted({column.name for column in known}))
                raise NotStored(f"{unit} has no values called {name}; there are: {there}")
            found |= dict.fromkeys(matches)
        return list(found)

    def span(self, unit: str) -> tuple[float, float] | None:
        """Return the times of a unit's earliest and latest stored values; ``None`` when there are none."""
        number = self._unit(unit)
        rows = self._rows(
            "SELECT (SELECT min(time) FROM entry WHERE kind = 1 AND unit = ?1), "
            "(SELECT max(time) FROM entry WHERE kind = 1 AND unit = ?1)",
            (number,),
        )
        spans = [span for span in (rows[0], self._archive.span(number)) if span and span[0] is not None]
        return (min(span[0] for span in spans), max(span[1] for span in spans)) if spans else None

    # ------------------------------------------------------------------ values

    def values(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        *,
        max_rows: int | None = None,
    ) -> Iterator[Row]:
        """Yield every stored scan of a span, in the order of time (and of the journal where times are equal).

        Raises
        ------
        TooManyRows
            Before the first row, when the span holds more than ``max_rows``.
        """
        number = self._unit(unit)
        if max_rows is not None:
            self._limit(number, [(SCANS, start, end)], max_rows)
        above, parts = self._answering(number, SCANS, start, end)
        live = self._values((number, above), columns, start, end)
        if not parts:
            return live
        return heapq.merge(
            self._archive.rows(parts, columns, start, end),
            live,
            key=lambda row: (row.time, row.sequence),
        )

    def _values(self, unit: _Live, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
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

    def buckets(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        width: float,
        *,
        zone: datetime.tzinfo = datetime.UTC,
        max_rows: int | None = None,
    ) -> Iterator[Bucket]:
        """Yield statistics over time buckets of a span; only buckets that hold a scan.

        ``daemon.journal.summaries`` says what enters them, ``daemon.journal.grid`` where they begin.

        Parameters
        ----------
        unit : str
            Name of the unit.
        columns : sequence of Column
            What of it.
        start, end : float
            The span [POSIX s].
        width : float
            Width of a bucket [s].
        zone : tzinfo
            Whose midnights and full hours buckets of an hour and more follow.
        max_rows : int, optional
            Most scans, minutes or hours that the answer may be made from.

        Raises
        ------
        TooManyRows
            When it would be made from more.
        ValueError
            ``width`` is not above zero.
        """
        grid, number = Grid(width, zone), self._unit(unit)
        level = next((level for level in (HOURS, MINUTES) if grid.whole(level)), SCANS)
        pieces = _pieces(level, start, end)
        if max_rows is not None:
            self._limit(number, pieces, max_rows)
        return self._buckets(number, columns, pieces, grid)

    def _buckets(
        self, unit: int, columns: Sequence[Column], pieces: list[tuple[int, float, float]], grid: Grid
    ) -> Iterator[Bucket]:
        waiting: Summaries | None = None  # the newest bucket may go on in what comes next
        for level, start, end in pieces:
            for rows in self._summaries(unit, columns, level, start, end):
                found = combined(joined([rows] if waiting is None else [waiting, rows], len(columns)), grid)
                yield from to_buckets(found.rows(0, len(found) - 1))
                waiting = found.rows(len(found) - 1, len(found))
        if waiting is not None:
            yield from to_buckets(waiting)

    def _summaries(
        self, unit: int, columns: Sequence[Column], level: int, start: float, end: float
    ) -> Iterator[Summaries]:
        """Yield rows of a span in the order of time, some at a time: of the archive and of the journal."""
        above, parts = self._answering(unit, level, start, end)
        live = self._live_span((unit, above), start, end)
        begins = [max(start, part.start) for part in parts] + ([live[0]] if live else [])
        if not begins:
            return
        ends = [min(end, part.finish + max(part.width, 1)) for part in parts] + ([live[1]] if live else [])
        step = max(1, level) * _CELLS / max(1, len(columns))
        step = max(step // DAY * DAY, DAY) if level else min(max(step // 3600 * 3600, 3600.0), DAY)
        low = math.floor(min(begins) / step) * step
        while low < max(ends):
            high = low + step
            inside = max(start, low), min(end, high)
            found = []
            for part in parts:
                if part.start < inside[1] and part.finish + part.width >= inside[0]:
                    rows = self._archive.summaries(part, columns, *inside)
                    found += [rows] if rows is not None and len(rows) else []
            if live and live[0] < inside[1] and live[1] >= inside[0]:
                found += self._live((unit, above), columns, *inside)
            if found:
                yield joined(found, len(columns))
            elif not any(part.start < high + step and part.finish >= low for part in parts):
                later = [begin for begin in begins if begin >= high]  # leap over a long gap
                high = max(high, math.floor(min(later, default=high) / step) * step)
            low = high

    def _live(self, unit: _Live, columns: Sequence[Column], start: float, end: float) -> Iterator[Summaries]:
        for page in self._pages(unit, start, end, max(_PAGE, _CELLS // max(1, len(columns)) // 4)):
            block = read_block(page, self._source.layout, columns, everything=False)
            self._source.damaged += block.damaged
            yield of_scans(block.time, block.sequence, block.values, block.codes)

    def last(self, unit: str, columns: Sequence[Column]) -> Row | None:
        """Return the newest stored scan of a unit, by the order of the journal, whatever its clock said."""
        number = self._unit(unit)
        rows = self._rows(
            "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
            "ORDER BY sequence DESC LIMIT 1",
            (number,),
        )
        for sequence, time, layout, body in rows:
            row = self._source.open_scan(layout, body)
            return _row(sequence, time, row, _places(row.layout, columns))
        return self._archive.last(number, columns)

    def _pages(self, unit: _Live, start: float, end: float, size: int) -> Iterator[list[StoredScan]]:
        """Yield the scans of a span for which the journal answers, in the order of time."""
        number, above = unit
        time, sequence = start, -1
        while True:
            page: list[StoredScan] = self._rows(
                "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
                "AND (time, sequence) > (?, ?) AND time < ? AND sequence > ? ORDER BY time, sequence LIMIT ?",
                (number, time, sequence, end, above, size),
            )
            if page:
                yield page
                sequence, time = page[-1][:2]
            if len(page) < size:
                return

    def _live_span(self, unit: _Live, start: float, end: float) -> tuple[float, float] | None:
        """Return the earliest and the latest time in a span for which the journal answers."""
        question = (
            "SELECT time FROM entry WHERE kind = 1 AND unit = ? AND time >= ? AND time < ? AND sequence > ? "
            "ORDER BY time {} LIMIT 1"
        )
        values = (unit[0], start, end, unit[1])
        first = self._rows(question.format("ASC"), values)
        return (first[0][0], self._rows(question.format("DESC"), values)[0][0]) if first else None

    def _limit(self, unit: int, pieces: list[tuple[int, float, float]], max_rows: int) -> None:
        """Count what an answer would be made from; of a file that lies across the edge, its share."""
        count = 0.0
        for level, start, end in pieces:
            above, parts = self._answering(unit, level, start, end)
            for part in parts:
                inside = min(end, part.finish) - max(start, part.start)
                length = part.finish - part.start
                count += part.rows if inside >= length else part.rows * max(0.0, inside) / length
            count += self._rows(
                "SELECT count(*) FROM (SELECT 1 FROM entry "
                "WHERE kind = 1 AND unit = ? AND time >= ? AND time < ? AND sequence > ? LIMIT ?)",
                (unit, start, end, above, max_rows + 1),
            )[0][0]
        if count > max_rows:
            raise TooManyRows(
                f"more than {max_rows} scans lie between the two times; ask for a shorter span, or for "
                "aggregates of it, best over whole minutes or hours"
            )

    # ------------------------------------------------------------------ records

    def records(
        self,
        start: float,
        end: float,
        *,
        kinds: Collection[EntryKind] = RECORDS,
        unit: str | None = None,
        alarm: str | None = None,
    ) -> Iterator[Entry]:
        """Yield alarm transitions and events of a span, in the order of the journal.

        Parameters
        ----------
        start, end : float
            The span [POSIX s].
        kinds : collection of EntryKind
            ``ALARM``, ``EVENT`` or both.
        unit, alarm : str, optional
            Only of this unit; only of this alarm.

        Raises
        ------
        NotStored
            Before the first entry, when the journal knows no such unit.
        """
        wanted = {KIND_NUMBERS[kind] for kind in kinds} - {schema.SCAN}
        number = None if unit is None else self._unit(unit)
        return self._records(start, end, wanted, number, alarm)

    def _records(
        self, start: float, end: float, wanted: set[int], number: int | None, alarm: str | None
    ) -> Iterator[Entry]:
        after = 0
        while True:
            page = self._rows(
                "SELECT sequence, kind, unit, time, layout, body FROM entry "
                "WHERE kind <> 1 AND sequence > ? AND time >= ? AND time < ? ORDER BY sequence LIMIT ?",
                (after, start, end, _PAGE),
            )
            for row in page:
                if row[1] not in wanted or (number is not None and row[2] != number):
                    continue
                entry = self._source.entry(row)
                if entry is not None and (alarm is None or getattr(entry.body, "alarm", None) == alarm):
                    yield entry
            if len(page) < _PAGE:
                return
            after = page[-1][0]

    # ------------------------------------------------------------------

    def _unit(self, name: str) -> int:
        rows = self._rows("SELECT id FROM unit WHERE name = ?", (name,))
        if not rows:
            raise NotStored(
                f"no values of a unit called {name}; there are: {', '.join(self.units()) or 'none'}"
            )
        return int(rows[0][0])

    def _answering(self, unit: int, width: int, start: float, end: float) -> tuple[int, list[ArchivedPart]]:
        try:
            return self._archive.answering(unit, width, start, end)
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error

    def _rows(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error


def _pieces(level: int, start: float, end: float) -> list[tuple[int, float, float]]:
    """Cut a span into whole hours or minutes and, at its edges, what is finer."""
    if start >= end:
        return []
    if level == SCANS:
        return [(SCANS, start, end)]
    low, high = math.ceil(start / level) * level, math.floor(end / level) * level
    if low >= high:
        return _pieces(_FINER[level], start, end)
    finer = _FINER[level]
    return [*_pieces(finer, start, low), (level, low, high), *_pieces(finer, high, end)]


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
