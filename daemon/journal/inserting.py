"""From an outcome to the rows that stand for it, within the transaction of whoever stores it."""

from __future__ import annotations

import sqlite3

from daemon.journal import schema
from daemon.journal.drafts import Draft
from daemon.journal.packing import layout_of, pack_record, pack_scan
from daemon.journal.schema import KIND_NUMBERS, SCAN
from daemon.journal.steps import Kept, store_step
from daemon.model import Entry, Outcome

_ENTRY = (
    "INSERT INTO entry (sequence, kind, unit, boot, time, monotonic, layout, body, hash) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


class Inserter:
    """Adds outcomes through one connection; knows units and layouts by their numbers.

    Parameters
    ----------
    connection : sqlite3.Connection
        The writer's.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._units: dict[str, int] = dict(connection.execute("SELECT name, id FROM unit"))
        self._layouts: dict[tuple[int, tuple[str, ...], tuple[str, ...]], int] = {}
        self._kept: Kept = {}

    def forget(self) -> None:
        """Forget numbers that a transaction may have added which was undone."""
        self._units.clear()
        self._layouts.clear()
        self._kept.clear()

    def insert(self, draft: Draft, chain: bytes, boot: int) -> bytes:
        """Add everything of an outcome.

        Parameters
        ----------
        draft : Draft
            The outcome with its numbers.
        chain : bytes
            Hash of the record before it.
        boot : int
            Number of this start.

        Returns
        -------
        bytes
            Hash of its last record; ``chain`` itself where it has none.
        """
        outcome, run = draft.outcome, self._connection.execute
        unit = self._unit(outcome.unit)
        if draft.has_scan:
            layout, body = self._layout(unit, outcome), pack_scan(outcome)
            run(_ENTRY, (draft.first, SCAN, unit, boot, outcome.time, outcome.monotonic, layout, body, None))
        for sequence, record in draft.records():
            entry = Entry(sequence, record.unit, record.time, record)
            kind, text = KIND_NUMBERS[entry.kind], pack_record(record)
            chain = schema.chain_hash(chain, sequence, kind, record.unit, boot, text)
            its = self._unit(record.unit)
            run(_ENTRY, (sequence, kind, its, boot, record.time, outcome.monotonic, None, text, chain))
        if outcome.checkpoint is not None:
            run(
                "INSERT OR REPLACE INTO checkpoint (unit, sequence, time, monotonic, boot, body) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (unit, draft.last, outcome.time, outcome.monotonic, boot, outcome.checkpoint),
            )
        store_step(self._connection, outcome, unit, boot, (draft.first, draft.last), self._kept)
        return chain

    def _unit(self, name: str) -> int:
        known = self._units.get(name)
        if known is None:
            self._connection.execute("INSERT OR IGNORE INTO unit (name) VALUES (?)", (name,))
            row = self._connection.execute("SELECT id FROM unit WHERE name = ?", (name,)).fetchone()
            known = self._units[name] = int(row[0])
        return known

    def _layout(self, unit: int, outcome: Outcome) -> int:
        key = (unit, tuple(outcome.signals), tuple(outcome.results))
        known = self._layouts.get(key)
        if known is None:
            run, text = self._connection.execute, layout_of(outcome).to_json()
            run("INSERT OR IGNORE INTO layout (unit, columns) VALUES (?, ?)", (unit, text))
            row = run("SELECT id FROM layout WHERE unit = ? AND columns = ?", (unit, text)).fetchone()
            known = self._layouts[key] = int(row[0])
        return known
