"""Questions to a journal: values, aggregates, newest values, alarms and events.

Opens the file for reading only, so it works beside a running daemon, on the file of a stopped one and on a
copy. Long answers are read in pages, each a short look at the file: a slow reader neither holds up the
daemon nor makes its files grow. Times are POSIX seconds UTC; a span includes its start and not its end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from daemon.journal import schema
from daemon.journal.buckets import Bucket, Point, aggregate
from daemon.journal.errors import JournalError, JournalUnusable, NotStored, TooManyRows
from daemon.journal.integrity import verify
from daemon.journal.packing import DamagedRow, Layout, ScanRow
from daemon.journal.reading import EntrySource
from daemon.journal.schema import KIND_NUMBERS
from daemon.model import Entry, EntryKind, OperatingState, Quality, Status

_PAGE = 2000
RECORDS = frozenset({EntryKind.ALARM, EntryKind.EVENT})


@dataclass(frozen=True, slots=True, order=True)
class Column:
    """One stored series of a unit: a measured signal or a calculated result. The two may share a name."""

    kind: Literal["signal", "result"]
    name: str

    def __str__(self) -> str:
        return f"{self.kind}:{self.name}"


@dataclass(frozen=True, slots=True)
class Sample:
    """One stored value [SI]; ``time`` is the source's own for signals, the scan's for results."""

    value: float | None
    uncertainty: float | None
    status: Status
    reason: str
    time: float

    @property
    def quality(self) -> Quality:
        """Severity of the status."""
        return self.status.quality


@dataclass(frozen=True, slots=True)
class Row:
    """The asked columns of one scan; a sample is ``None`` where the column did not exist then."""

    sequence: int
    time: float
    state: OperatingState
    samples: tuple[Sample | None, ...]


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
    def identity(self) -> str:
        """Random id of the journal file."""
        return str(self._rows("SELECT value FROM meta WHERE key = 'identity'")[0][0])

    def verify(self) -> list[str]:
        """Check the whole file; return what is wrong. Slow on a large one."""
        try:
            return verify(self._connection)
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
            layout = Layout.from_json(text)
            found |= dict.fromkeys(Column("signal", name) for name in layout.signals)
            found |= dict.fromkeys(Column("result", name) for name in layout.results)
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
        first, last = rows[0]
        return None if first is None else (first, last)

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
            self._limit(number, start, end, max_rows)
        return self._values(number, columns, start, end)

    def _values(self, unit: int, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
        for sequence, time, row, places in self._scans(unit, columns, start, end):
            yield _row(sequence, time, row, places)

    def buckets(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        width: float,
        *,
        max_rows: int | None = None,
    ) -> Iterator[Bucket]:
        """Yield statistics over time buckets of a span (``daemon.journal.buckets`` says how).

        Raises
        ------
        TooManyRows
            When the span holds more than ``max_rows`` scans.
        ValueError
            ``width`` is not above zero.
        """
        number = self._unit(unit)
        if max_rows is not None:
            self._limit(number, start, end, max_rows)
        return aggregate(self._points(number, columns, start, end), len(columns), width)

    def _points(
        self, unit: int, columns: Sequence[Column], start: float, end: float
    ) -> Iterator[tuple[float, list[Point | None]]]:
        for _, time, row, places in self._scans(unit, columns, start, end):
            yield time, [row.point(at) if at is not None else None for at in places]

    def last(self, unit: str, columns: Sequence[Column]) -> Row | None:
        """Return the newest stored scan of a unit, by the order of the journal, whatever its clock said."""
        rows = self._rows(
            "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
            "ORDER BY sequence DESC LIMIT 1",
            (self._unit(unit),),
        )
        for sequence, time, layout, body in rows:
            row = self._source.open_scan(layout, body)
            return _row(sequence, time, row, _places(row.layout, columns))
        return None

    def _scans(
        self, unit: int, columns: Sequence[Column], start: float, end: float
    ) -> Iterator[tuple[int, float, ScanRow, list[int | None]]]:
        places: dict[int, list[int | None]] = {}
        time, after = start, -1
        while True:
            page = self._rows(
                "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
                "AND (time, sequence) > (?, ?) AND time < ? ORDER BY time, sequence LIMIT ?",
                (unit, time, after, end, _PAGE),
            )
            for sequence, at, layout, body in page:
                try:
                    row = self._source.open_scan(layout, body)
                except DamagedRow:
                    self._source.damaged += 1
                    continue
                if layout not in places:
                    places[layout] = _places(row.layout, columns)
                yield sequence, at, row, places[layout]
            if len(page) < _PAGE:
                return
            after, time = page[-1][:2]

    def _limit(self, unit: int, start: float, end: float, max_rows: int) -> None:
        count = self._rows(
            "SELECT count(*) FROM (SELECT 1 FROM entry "
            "WHERE kind = 1 AND unit = ? AND time >= ? AND time < ? LIMIT ?)",
            (unit, start, end, max_rows + 1),
        )[0][0]
        if count > max_rows:
            raise TooManyRows(
                f"more than {max_rows} scans lie between the two times; ask for a shorter span, or for "
                "aggregates of it"
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

    def _rows(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error


def _places(layout: Layout, columns: Sequence[Column]) -> list[int | None]:
    known = [Column("signal", name) for name in layout.signals]
    known += [Column("result", name) for name in layout.results]
    index = {column: place for place, column in enumerate(known)}
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
