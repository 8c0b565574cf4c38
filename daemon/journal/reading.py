"""From stored rows back to entries; the same for the daemon's own reader and for everyone else's."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from daemon.journal.errors import JournalError
from daemon.journal.packing import DamagedRow, Layout, ScanRow, unpack_event, unpack_transition
from daemon.journal.schema import KIND_NUMBERS, KINDS
from daemon.model import AlarmTransition, Entry, EntryKind, Event, ScanRecord

_COLUMNS = "sequence, kind, unit, time, layout, body"


class Reader:
    """Asks one connection to a journal.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open for reading.
    path : Path
        The file, for messages.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self.connection, self.path = connection, path

    def __call__(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        """Return all rows.

        Raises
        ------
        JournalError
            The file cannot be read.
        """
        try:
            return self.connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error

    @contextlib.contextmanager
    def moment(self) -> Iterator[sqlite3.Connection]:
        """Let several questions see the file as it was at one moment. Raises as above."""
        try:
            self.connection.execute("BEGIN")
            try:
                yield self.connection
            finally:
                self.connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error


class EntrySource:
    """Reads entries through one connection.

    Attributes
    ----------
    damaged : int
        Rows that did not match their check sum and were passed over.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self.damaged = 0
        self._units: dict[int, str] = {}
        self._layouts: dict[int, Layout] = {}

    def entries(self, after: int, limit: int, kinds: Collection[EntryKind]) -> list[Entry]:
        """Return up to ``limit`` entries of these kinds above ``after``, in the order of the journal.

        A damaged row is passed over and counted: one bad sector must not hold up alarms for ever. The list
        is empty only when there is nothing more.
        """
        wanted = sorted(KIND_NUMBERS[kind] for kind in kinds)
        if not wanted:
            return []
        # "kind <> 1" lets SQLite use the index that leaves the scans out.
        sieve = f"kind IN ({','.join(map(str, wanted))})" + ("" if 1 in wanted else " AND kind <> 1")
        statement = f"SELECT {_COLUMNS} FROM entry WHERE sequence > ? AND {sieve} ORDER BY sequence LIMIT ?"  # noqa: S608 - numbers of our own
        while True:
            rows = self.connection.execute(statement, (after, limit)).fetchall()
            found = [entry for row in rows if (entry := self.entry(row)) is not None]
            if found or len(rows) < limit:
                return found
            after = rows[-1][0]

    def entry(self, row: tuple[Any, ...]) -> Entry | None:
        """Make an entry of a row of ``_COLUMNS``; ``None`` and counted when it is damaged."""
        sequence, kind, unit_id, time, layout, stored = row
        unit = self.unit(unit_id)
        body: ScanRecord | AlarmTransition | Event
        try:
            if KINDS[kind] is EntryKind.SCAN:
                body = self.open_scan(layout, stored).record(unit, time)
            elif KINDS[kind] is EntryKind.ALARM:
                body = unpack_transition(unit, stored)
            else:
                body = unpack_event(unit, stored)
        except (ValueError, TypeError, KeyError):  # DamagedRow and whatever else broken bytes can cause
            self.damaged += 1
            return None
        return Entry(sequence, unit, time, body)

    def open_scan(self, layout_id: int, body: bytes) -> ScanRow:
        """Open a scan row.

        Raises
        ------
        DamagedRow
            It does not match its check sum or its layout.
        """
        return ScanRow(self.layout(layout_id), body)

    def layout(self, layout_id: int) -> Layout:
        """Columns of a layout."""
        known = self._layouts.get(layout_id)
        if known is None:
            row = self.connection.execute("SELECT columns FROM layout WHERE id = ?", (layout_id,)).fetchone()
            if row is None:
                raise DamagedRow(f"layout {layout_id} is missing")
            known = self._layouts[layout_id] = Layout.from_json(row[0])
        return known

    def unit(self, unit_id: int) -> str:
        """Name of a unit."""
        known = self._units.get(unit_id)
        if known is None:
            row = self.connection.execute("SELECT name FROM unit WHERE id = ?", (unit_id,)).fetchone()
            known = self._units[unit_id] = row[0] if row else f"unknown-{unit_id}"
        return known
