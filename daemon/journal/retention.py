"""Which scans retention deletes, and who loses by it. Alarms, events and checkpoints are kept.

Age is judged along the journal's order: everything before the first scan whose time lies between the limit
and now. Scans that a wrong clock stamped thus go when their neighbours go: one stamped 1970 an hour ago
stays, one stamped next year does not hold up the rest.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from daemon.journal.manifest import SCANS, mark

_CHUNK = 5000
_GRACE = 3600.0  # s; the clock may have been set back a little since the newest scans


@dataclass(frozen=True, slots=True)
class Deleted:
    """How many scans, and of which time [POSIX s]."""

    scans: int
    since: float
    until: float

    def __add__(self, other: Deleted) -> Deleted:
        return Deleted(self.scans + other.scans, min(self.since, other.since), max(self.until, other.until))


@dataclass(frozen=True, slots=True)
class Pruned:
    """What retention deleted."""

    scans: int
    lost: dict[str, int]
    """By sink: deleted scans that it had not delivered yet."""
    unarchived: dict[str, Deleted]
    """By unit: deleted scans for which no archive answers."""
    finished: bool
    """False when there is more to delete than one call does."""


def prune_scans(
    connection: sqlite3.Connection,
    before: float,
    now: float,
    scan_readers: Collection[str],
    *,
    spare_unarchived: bool = False,
) -> Pruned:
    """Delete old scans within the caller's transaction, some thousands at most.

    Parameters
    ----------
    connection : sqlite3.Connection
        The writer's, in a transaction.
    before, now : float
        Scans older than ``before`` go [POSIX s].
    scan_readers : collection of str
        Sinks that send scans on: what is deleted before they had it is counted as lost to them.
    spare_unarchived : bool
        Whether everything from the first scan on for which the archive does not answer yet is left alone.
    """
    run = connection.execute
    row = run(
        "SELECT sequence FROM entry WHERE kind = 1 AND time BETWEEN ? AND ? ORDER BY sequence LIMIT 1",
        (before, now + _GRACE),
    ).fetchone()
    if row is None:
        row = run("SELECT max(sequence) + 1 FROM entry WHERE kind = 1 AND time < ?", (before,)).fetchone()
    limit = row[0]
    if limit is not None and spare_unarchived:
        limit = min([limit, *_unarchived(connection)])
    doomed = run(
        "SELECT sequence FROM entry WHERE kind = 1 AND sequence < ? ORDER BY sequence LIMIT ?",
        (limit, _CHUNK),
    ).fetchall()
    if not doomed:
        return Pruned(0, {}, {}, finished=True)
    unarchived = {} if spare_unarchived else _answering(connection, doomed[0][0], doomed[-1][0])
    run("DELETE FROM entry WHERE kind = 1 AND sequence BETWEEN ? AND ?", (doomed[0][0], doomed[-1][0]))
    run("DELETE FROM step_input WHERE sequence <= ?", (doomed[-1][0],))
    run("DELETE FROM kept_state WHERE sequence <= ?", (doomed[-1][0],))
    free = run("SELECT value FROM meta WHERE key = 'next_sequence'").fetchone()
    if (
        free is None or int(free[0]) <= doomed[-1][0]
    ):  # its number may be the highest there is; never use it again
        run("INSERT OR REPLACE INTO meta VALUES ('next_sequence', ?)", (str(doomed[-1][0] + 1),))
    lost: dict[str, int] = {}
    for name, sequence in run("SELECT name, sequence FROM cursor").fetchall():
        count = sum(1 for (number,) in doomed if number > sequence)
        if name in scan_readers and count:
            lost[name] = count
            run("UPDATE cursor SET lost = lost + ? WHERE name = ?", (count, name))
    return Pruned(len(doomed), lost, unarchived, finished=len(doomed) < _CHUNK)


def _answering(connection: sqlite3.Connection, first: int, last: int) -> dict[str, Deleted]:
    """Count the scans between two sequences for which the journal answers and the archive does not."""
    rows = connection.execute(
        "SELECT unit.name, count(*), min(entry.time), max(entry.time) FROM entry "
        "JOIN unit ON unit.id = entry.unit "
        "LEFT JOIN archived ON archived.unit = entry.unit AND archived.width = ?3 "
        "WHERE entry.kind = 1 AND entry.sequence BETWEEN ?1 AND ?2 "
        "AND entry.sequence > coalesce(archived.sequence, 0) GROUP BY unit.name",
        (first, last, SCANS),
    )
    return {name: Deleted(*found) for name, *found in rows}


def _unarchived(connection: sqlite3.Connection) -> Iterator[int]:
    """Yield, for every unit with scans that are not in the archive, a sequence at or before the first."""
    run = connection.execute
    for (unit,) in run("SELECT id FROM unit WHERE id IN (SELECT unit FROM layout)").fetchall():
        archived = mark(connection, unit, SCANS)
        newest = run(
            "SELECT sequence FROM entry WHERE kind = 1 AND unit = ? ORDER BY time DESC LIMIT 1", (unit,)
        ).fetchone()
        # Nearly always the newest by its time tells; a clock that was ahead makes it worth a closer look.
        if newest is not None and (
            newest[0] > archived
            or run(
                "SELECT 1 FROM entry WHERE kind = 1 AND unit = ? AND sequence > ? LIMIT 1", (unit, archived)
            ).fetchone()
        ):
            yield archived + 1
