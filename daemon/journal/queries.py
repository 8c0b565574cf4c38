"""Questions to a journal and its archive: values, aggregates, newest values, alarms and events.

Opens the file for reading only, so it works beside a running daemon, on the file of a stopped one and on a
copy. Times are POSIX seconds UTC; a span includes its start and not its end.
"""

from __future__ import annotations

import datetime
import heapq
import itertools
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from daemon.journal import schema
from daemon.journal.aggregation import Aggregation, pieces_of
from daemon.journal.archived import Archive
from daemon.journal.blocks import columns_of
from daemon.journal.buckets import Bucket
from daemon.journal.columns import Column, resolve
from daemon.journal.errors import JournalUnusable, NotStored
from daemon.journal.grid import Grid
from daemon.journal.integrity import verify
from daemon.journal.manifest import SCANS, DiskUse, usage
from daemon.journal.packing import Layout
from daemon.journal.reading import EntrySource, Reader
from daemon.journal.rows import Row, Sample
from daemon.journal.schema import KIND_NUMBERS
from daemon.journal.stored import StoredScans
from daemon.journal.summaries import Summaries, to_buckets
from daemon.model import Entry, EntryKind

__all__ = ["Bucket", "Column", "History", "Row", "Sample"]

_PAGE = 2000
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
            self._rows = Reader(self._connection, path)
            self._archive = Archive(self._rows, path)
        except sqlite3.Error as error:
            raise JournalUnusable(f"{path}: cannot be read: {error}") from error
        self._source = EntrySource(self._connection)
        self._scans = StoredScans(self._rows, self._source)
        self._aggregation = Aggregation(self._archive, self._scans)

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
    def incomplete(self) -> list[str]:
        """Return in words what the answers so far are without; empty when nothing is missing."""
        rows = [f"{self.damaged} damaged rows were passed over"] if self.damaged else []
        return [*self.unreadable, *rows]

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
        return resolve(unit, names, self.columns(unit))

    def span(self, unit: str) -> tuple[float, float] | None:
        """Return the times of a unit's earliest and latest stored values; ``None`` when there are none."""
        number = self._unit(unit)
        spans = [span for span in (self._scans.span(number), self._archive.span(number)) if span]
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
            self._aggregation.limit(number, [(SCANS, start, end)], max_rows)
        above, parts = self._archive.answering(number, SCANS, start, end)
        live = self._scans.rows((number, above), columns, start, end)
        if not parts:
            return live
        return heapq.merge(
            self._archive.rows(parts, columns, start, end),
            live,
            key=lambda row: (row.time, row.sequence),
        )

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
            Most scans, minutes and hours that may be read for the answer.

        Raises
        ------
        TooManyRows
            More would have to be read.
        ValueError
            ``width`` is not above zero.
        """
        found = self.statistics(unit, columns, start, end, width, zone=zone, max_rows=max_rows)
        return itertools.chain.from_iterable(map(to_buckets, found))

    def statistics(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        width: float,
        *,
        zone: datetime.tzinfo = datetime.UTC,
        max_rows: int | None = None,
    ) -> Iterator[Summaries]:
        """Yield the same as ``buckets`` as arrays, some thousands of buckets at a time."""
        grid, number = Grid(width, zone), self._unit(unit)
        pieces = pieces_of(grid, start, end)
        if max_rows is not None:
            self._aggregation.limit(number, pieces, max_rows)
        return self._aggregation.buckets(number, columns, pieces, grid)

    def rows_to_read(self, unit: str, start: float, end: float, width: float | None, limit: int) -> float:
        """Count the stored rows that would be read for an answer, as far as one more than a limit.

        Parameters
        ----------
        unit, start, end
            As above.
        width : float or None
            Width of a bucket [s]; ``None`` for every scan.
        limit : int
            How far to count.
        """
        pieces = [(SCANS, start, end)] if width is None else pieces_of(Grid(width), start, end)
        return self._aggregation.count(self._unit(unit), pieces, limit)

    def last(self, unit: str, columns: Sequence[Column]) -> Row | None:
        """Return the newest stored scan of a unit, by the order of the journal, whatever its clock said."""
        number = self._unit(unit)
        return self._scans.last(number, columns) or self._archive.last(number, columns)

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
