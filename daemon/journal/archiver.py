"""Moves closed periods from the journal to the archive and sums them up.

Reads the journal through a connection of its own, so that the daemon's writer is held up only for the short
transactions in which files begin or cease to answer (``daemon.journal.manifest`` says why a kill in between
does no harm). A file gets its lasting name only when it is whole and on the disk.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO

from config.site import ArchiveSettings
from daemon.journal import manifest, schema
from daemon.journal.archive_folder import ArchiveFolder
from daemon.journal.archive_reading import FileFacts, read_statistics
from daemon.journal.archive_run import Archived, FileKeeper
from daemon.journal.archive_upkeep import Upkeep
from daemon.journal.archive_writing import write_scans, write_statistics
from daemon.journal.blocks import Block, StoredScan, columns_of, read_block
from daemon.journal.columns import Catalogue, Column
from daemon.journal.errors import ArchiveDamaged, JournalError, StoreFailed
from daemon.journal.grid import Grid
from daemon.journal.manifest import HOURS, MINUTES, SCANS, ArchivedPart
from daemon.journal.reading import EntrySource
from daemon.journal.summaries import Summaries, combined, joined, of_scans

_CELLS = 250_000
"""Values that are held in memory at a time, about."""
_GRACE = 600.0
"""How long after its end a period is still open: for values that come late [s]."""
_MINUTES, _HOURS = Grid(60.0), Grid(3600.0)


class Archiver:
    """Archives one journal; for one thread.

    Parameters
    ----------
    journal : FileKeeper
        The journal's writer.
    settings : ArchiveSettings
        Folder, period, and how long what is kept.
    catalogue : Catalogue
        What is known of the columns.
    base : Path
        Where a relative folder begins.
    pause : callable, optional
        Called between pieces of work; a test or a stopping daemon may raise in it.
    """

    def __init__(
        self,
        journal: FileKeeper,
        settings: ArchiveSettings,
        catalogue: Catalogue,
        base: Path,
        pause: Callable[[], None] = lambda: None,
    ) -> None:
        self._journal, self._settings, self._catalogue, self._pause = journal, settings, catalogue, pause
        self._folder = ArchiveFolder((base / settings.folder).absolute(), pause)

    def run(self, now: float) -> Archived:
        """Do everything that is due at ``now`` [POSIX s].

        Raises
        ------
        JournalError
            The journal cannot be read, or the folder belongs to another one.
        StoreFailed
            The disk did not take a file; everything that was archived before stays so.
        """
        done = Archived()
        upkeep = Upkeep(self._journal, self._folder, self._settings)
        try:
            connection = schema.connect_reader(self._journal.path)
            with contextlib.closing(connection), self._claim():
                upkeep.tidy(connection, now, done)
                for unit, name in connection.execute(
                    "SELECT id, name FROM unit WHERE id IN (SELECT unit FROM layout) ORDER BY id"
                ).fetchall():
                    while self._archive_next(connection, unit, name, now, done):
                        self._pause()
                    while self._sum_up_month(connection, unit, name, now, done):
                        self._pause()
                upkeep.expire(connection, now, done)
                done.disk = manifest.usage(connection, self._journal.path)
        except sqlite3.Error as error:
            raise JournalError(f"{self._journal.path}: cannot be read: {error}") from error
        except OSError as error:
            raise StoreFailed(f"{self._folder.path}: {error.strerror or error}") from error
        return done

    def _claim(self) -> IO[str]:
        """Have the folder for this run alone; closing the file lets go of it."""
        lock = self._folder.claim(self._journal.identity)
        path = self._folder.path
        relative = os.path.relpath(path, self._journal.path.absolute().parent)
        with self._journal.transaction() as connection:
            if manifest.archive_folder(connection, self._journal.path) != path:
                manifest.note_folder(connection, relative)
        return lock

    def _register(self, unit: str, files: Sequence[ArchivedPart], last: int = 0) -> None:
        with self._journal.transaction() as connection:
            manifest.register(connection, unit, files, last)

    # ------------------------------------------------------------------ scans and minutes

    def _archive_next(
        self, connection: sqlite3.Connection, unit: int, name: str, now: float, done: Archived
    ) -> bool:
        """Archive one period of a unit; false when none is closed."""
        after = manifest.mark(connection, unit, SCANS)
        last = self._last_of_period(connection, unit, after, now)
        if last is None:
            return False
        row = connection.execute(
            "SELECT min(sequence), max(sequence), min(time), max(time) FROM entry "
            "WHERE kind = 1 AND unit = ? AND sequence > ? AND sequence <= ?",
            (unit, after, last),
        ).fetchone()
        first, last, start, finish = row
        source = EntrySource(connection)
        layouts = [
            number
            for (number,) in connection.execute(
                "SELECT DISTINCT layout FROM entry WHERE kind = 1 AND unit = ? AND sequence > ? "
                "AND sequence <= ? AND layout IN (SELECT id FROM layout)",
                (unit, after, last),
            )
        ]
        columns = list(
            dict.fromkeys(
                column for number in sorted(layouts) for column in columns_of(source.layout(number))
            )
        )
        minutes: list[Summaries] = []
        damaged = 0

        def blocks() -> Iterator[Block]:
            nonlocal damaged
            damaged = 0
            minutes.clear()
            for block in _blocks(connection, source, unit, (after, last), start, columns):
                self._pause()
                damaged += block.damaged
                if len(block):
                    scans = of_scans(block.time, block.sequence, block.values, block.codes)
                    # The last minute of a block may go on in the next.
                    minutes[:] = [combined(joined([*minutes, scans], len(columns)), _MINUTES)]
                    yield block

        facts = FileFacts(self._journal.identity, name, SCANS, first, last, self._catalogue.configuration)
        path = self._folder.file(facts, start)
        rows = self._folder.write(
            path, lambda part: write_scans(part, facts, columns, self._catalogue, blocks)
        )
        files = []
        if rows:
            files.append(self._folder.part(facts, path, (start, finish), rows, damaged))
            files.append(self._write_statistics(facts, MINUTES, columns, minutes[0]))
        else:
            path.unlink()
        self._register(name, files, last)
        _count(done, files, scans=rows, damaged=damaged)
        return True

    def _last_of_period(
        self, connection: sqlite3.Connection, unit: int, after: int, now: float
    ) -> int | None:
        """Find where the oldest open period of a unit ends along the journal's order.

        It ends before the first scan that a sane clock puts behind its end; scans of a clock that was wrong
        go with their neighbours.
        """
        row = connection.execute(
            "SELECT time FROM entry WHERE kind = 1 AND unit = ? AND sequence > ? ORDER BY sequence LIMIT 1",
            (unit, after),
        ).fetchone()
        if row is None:
            return None
        period = self._settings.period
        closed = math.floor((now - _GRACE) / period) * period
        end = min((math.floor(row[0] / period) + 1) * period, closed) if row[0] <= now else closed
        later = connection.execute(
            "SELECT min(sequence) FROM entry "
            "WHERE kind = 1 AND unit = ? AND sequence > ? AND time >= ? AND time <= ?",
            (unit, after, end, now + _GRACE),
        ).fetchone()[0]
        if later is None and end < closed:
            end = closed
        row = connection.execute(
            "SELECT max(sequence) FROM entry WHERE kind = 1 AND unit = ?1 AND sequence > ?2 "
            "AND CASE WHEN ?3 IS NULL THEN time < ?4 ELSE sequence < ?3 END",
            (unit, after, later, end),
        ).fetchone()
        return None if row[0] is None else int(row[0])

    # ------------------------------------------------------------------ hours

    def _sum_up_month(
        self, connection: sqlite3.Connection, unit: int, name: str, now: float, done: Archived
    ) -> bool:
        """Make one file of hours of a month's files of minutes; false when no month is over."""
        after = manifest.mark(connection, unit, HOURS)
        waiting = [part for part in manifest.parts(connection, unit, MINUTES) if part.first > after]
        waiting.sort(key=lambda part: part.first)
        if not waiting:
            return False
        month = _month(waiting[0].start)
        open_from = _month_start(now - _GRACE)
        chosen: list[ArchivedPart] = []
        for part in waiting:
            if part.start >= open_from or (chosen and _month(part.start) != month):
                break
            chosen.append(part)
        if not chosen or (
            len(chosen) == len(waiting) and now < _month_start(now) + 2 * self._settings.period
        ):
            return False  # the month's last period may still come
        columns = _columns_of_unit(connection, unit)
        try:
            rows = joined(
                [read_statistics(self._folder.path / part.name, columns) for part in chosen], len(columns)
            )
        except ArchiveDamaged as damaged:
            if str(damaged) not in done.trouble:
                done.trouble.append(str(damaged))
            return False
        there = [at for at in range(len(columns)) if (rows.worst[:, at] >= 0).any()]
        facts = FileFacts(
            self._journal.identity, name, MINUTES, chosen[0].first, chosen[-1].last,
            self._catalogue.configuration,
        )  # fmt: skip
        hours = combined(_picked(rows, there), _HOURS)
        files = [self._write_statistics(facts, HOURS, [columns[at] for at in there], hours)]
        self._register(name, files)
        _count(done, files)
        return True

    def _write_statistics(
        self, of: FileFacts, width: int, columns: Sequence[Column], rows: Summaries
    ) -> ArchivedPart:
        facts = FileFacts(of.identity, of.unit, width, of.first, of.last, of.configuration)
        path = self._folder.file(facts, float(rows.time[0]))
        self._folder.write(path, lambda part: write_statistics(part, facts, columns, self._catalogue, rows))
        return self._folder.part(facts, path, (float(rows.time[0]), float(rows.time[-1])), len(rows), 0)


def _blocks(
    connection: sqlite3.Connection,
    source: EntrySource,
    unit: int,
    span: tuple[int, int],
    start: float,
    columns: Sequence[Column],
) -> Iterator[Block]:
    """Read the scans between two sequences in the order of time."""
    limit = max(1000, _CELLS // max(1, len(columns)))
    time, sequence = start, -1
    while True:
        page: list[StoredScan] = connection.execute(
            "SELECT sequence, time, layout, body FROM entry WHERE kind = 1 AND unit = ? "
            "AND (time, sequence) > (?, ?) AND sequence > ? AND sequence <= ? "
            "ORDER BY time, sequence LIMIT ?",
            (unit, time, sequence, *span, limit),
        ).fetchall()
        if page:
            yield read_block(page, source.layout, columns, everything=True)
            sequence, time = page[-1][:2]
        if len(page) < limit:
            return


def _columns_of_unit(connection: sqlite3.Connection, unit: int) -> list[Column]:
    source = EntrySource(connection)
    numbers = connection.execute("SELECT id FROM layout WHERE unit = ? ORDER BY id", (unit,)).fetchall()
    return list(dict.fromkeys(column for (one,) in numbers for column in columns_of(source.layout(one))))


def _picked(rows: Summaries, columns: Sequence[int]) -> Summaries:
    at = list(columns)
    return Summaries(
        rows.time, rows.sequence, rows.scans, rows.count[:, at], rows.total[:, at], rows.minimum[:, at],
        rows.maximum[:, at], rows.last[:, at], rows.worst[:, at],
    )  # fmt: skip


def _count(done: Archived, files: Sequence[ArchivedPart], scans: int = 0, damaged: int = 0) -> None:
    done.scans += scans
    done.damaged += damaged
    done.files += len(files)
    done.bytes += sum(file.bytes for file in files)


def _month(time: float) -> tuple[int, int]:
    moment = datetime.datetime.fromtimestamp(time, datetime.UTC)
    return moment.year, moment.month


def _month_start(time: float) -> float:
    year, month = _month(time)
    return datetime.datetime(year, month, 1, tzinfo=datetime.UTC).timestamp()
