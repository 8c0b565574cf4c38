"""Which part of the history the archive answers for: files by sequence, and one mark for each unit.

Along the journal's order every scan of a unit is on one side of its mark: up to the mark the archive's files
answer, above it the journal. A file and the mark that moves past its scans are written in one transaction, so
a scan is never in both answers and never in none, whenever the daemon is killed, and no clock enters into
it. Scans below the mark stay in the journal for a while, exact to the last bit, for replay and for slow
sinks; they answer no questions any more.

Statistics over minutes have their mark where scans have it. Those over hours are made of those over minutes
once a month is over, and have their own: an hour is in a file of hours, in one of minutes, or in the journal.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

SCANS, MINUTES, HOURS = 0, 60, 3600
WIDTHS = {SCANS: "scans", MINUTES: "minutes", HOURS: "hours"}

FOLDER_KEY = "archive_folder"


@dataclass(frozen=True, slots=True)
class ArchivedPart:
    """One archive file, as the journal knows it."""

    unit: str
    width: int
    first: int
    last: int
    start: float
    finish: float
    rows: int
    bytes: int
    damaged: int
    name: str


@dataclass(frozen=True, slots=True)
class DiskUse:
    """Bytes on the disk."""

    journal: int = 0
    scans: int = 0
    minutes: int = 0
    hours: int = 0

    @property
    def archive(self) -> int:
        """All archive files together."""
        return self.scans + self.minutes + self.hours


_COLUMNS = "name, width, first, last, start, finish, rows, bytes, damaged"


def archive_folder(connection: sqlite3.Connection, journal: Path) -> Path | None:
    """Return the folder of the archive; ``None`` where there is none."""
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (FOLDER_KEY,)).fetchone()
    return None if row is None else journal.absolute().parent / row[0]


def mark(connection: sqlite3.Connection, unit: int, width: int) -> int:
    """Return the sequence up to which files of a width answer for a unit; 0 before the first."""
    row = connection.execute(
        "SELECT sequence FROM archived WHERE unit = ? AND width = ?", (unit, width)
    ).fetchone()
    return int(row[0]) if row else 0


def parts(
    connection: sqlite3.Connection,
    unit: int | None = None,
    width: int | None = None,
    start: float = float("-inf"),
    end: float = float("inf"),
) -> list[ArchivedPart]:
    """Return the files that may hold something of ``start <= time < end``, in the order of time."""
    found = connection.execute(
        f"SELECT unit.name, archive.{_COLUMNS.replace(', ', ', archive.')} "  # noqa: S608 - names of our own
        "FROM archive JOIN unit ON unit.id = archive.unit "
        "WHERE (?1 IS NULL OR archive.unit = ?1) AND (?2 IS NULL OR width = ?2) "
        "AND finish + width >= ?3 AND start < ?4 ORDER BY start, first",
        (unit, width, start, end),
    ).fetchall()
    return [
        ArchivedPart(owner, width, first, last, begin, finish, rows, size, damaged, name)
        for owner, name, width, first, last, begin, finish, rows, size, damaged in found
    ]


def note_folder(connection: sqlite3.Connection, folder: str) -> None:
    """Note where the archive is, relative to the journal's own folder."""
    connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (FOLDER_KEY, folder))


def register(connection: sqlite3.Connection, unit: str, files: Sequence[ArchivedPart], last: int = 0) -> None:
    """Let files that are on the disk answer from now on, within the caller's transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
        The writer's, in a transaction.
    unit : str
        Whose.
    files : sequence of ArchivedPart
        The files.
    last : int
        Sequence up to which the archive answers for scans and minutes even where no file reaches so far:
        scans that were damaged are in none.
    """
    run = connection.execute
    run("INSERT OR IGNORE INTO unit (name) VALUES (?)", (unit,))
    number = run("SELECT id FROM unit WHERE name = ?", (unit,)).fetchone()[0]
    for file in files:
        run(
            f"INSERT INTO archive (unit, {_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 - names of our own
            (
                number, file.name, file.width, file.first, file.last, file.start, file.finish, file.rows,
                file.bytes, file.damaged,
            ),
        )  # fmt: skip
    marks = [(file.width, file.last) for file in files]
    if last:
        marks += [(SCANS, last), (MINUTES, last)]
    for width, sequence in marks:
        run(
            "INSERT INTO archived (unit, width, sequence) VALUES (?, ?, ?) "
            "ON CONFLICT (unit, width) DO UPDATE SET sequence = max(sequence, excluded.sequence)",
            (number, width, sequence),
        )


def forget(connection: sqlite3.Connection, names: Sequence[str]) -> None:
    """Let files answer no more, within the caller's transaction."""
    connection.executemany("DELETE FROM archive WHERE name = ?", [(name,) for name in names])


def usage(connection: sqlite3.Connection, journal: Path) -> DiskUse:
    """Return what journal and archive take on the disk."""
    sizes = dict(connection.execute("SELECT width, sum(bytes) FROM archive GROUP BY width").fetchall())
    own = sum(
        file.stat().st_size
        for suffix in ("", "-wal")
        if (file := journal.with_name(journal.name + suffix)).exists()
    )
    return DiskUse(own, sizes.get(SCANS, 0), sizes.get(MINUTES, 0), sizes.get(HOURS, 0))
