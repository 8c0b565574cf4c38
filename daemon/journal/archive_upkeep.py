"""Keeps the archive in order: what a killed archiver left, what a journal forgot, what is too old."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from config.site import ArchiveSettings
from daemon.journal import manifest
from daemon.journal.archive_folder import ArchiveFolder
from daemon.journal.archive_reading import FileFacts, read_facts, read_statistics
from daemon.journal.archive_run import Archived, FileKeeper
from daemon.journal.errors import ArchiveDamaged
from daemon.journal.manifest import HOURS, MINUTES, SCANS


class Upkeep:
    """Removes files, and lets forgotten ones answer again; for whoever has claimed the folder.

    Parameters
    ----------
    journal : FileKeeper
        The journal's writer.
    folder : ArchiveFolder
        Its archive.
    settings : ArchiveSettings
        How long what is kept.
    """

    def __init__(self, journal: FileKeeper, folder: ArchiveFolder, settings: ArchiveSettings) -> None:
        self._journal, self._folder, self._settings = journal, folder, settings

    def tidy(self, connection: sqlite3.Connection, now: float, done: Archived) -> None:
        """Remove what a killed archiver left, and take in files that a damaged journal forgot.

        A file that nobody knows of is removed if the journal still has all that it holds; it will be written
        again. If the journal has not, it lost its list of files when it was salvaged, and the file answers
        unless it is older than files are kept.
        """
        known = {part.name for part in manifest.parts(connection)}
        strays: list[tuple[FileFacts, int, Path]] = []
        for path in sorted(self._folder.path.glob("*/*")):
            if path.suffix == ".part":
                path.unlink()
            elif path.suffix == ".parquet" and str(path.relative_to(self._folder.path)) not in known:
                try:
                    strays.append((*read_facts(path), path))
                except ArchiveDamaged as damaged:
                    done.trouble.append(str(damaged))
        for facts, rows, path in sorted(strays, key=lambda stray: stray[0].last):
            if facts.identity != self._journal.identity:
                done.trouble.append(f"archive file {path}: is of another journal")
                continue
            unit = connection.execute("SELECT id FROM unit WHERE name = ?", (facts.unit,)).fetchone()
            held = read_statistics(path, [])
            scans = rows if facts.width == SCANS else int(held.scans.sum())
            if unit is not None and self._can_be_made_again(connection, unit[0], facts, scans):
                path.unlink()
                continue
            time = held.time
            if time.max() < now - self._keep(facts.width):
                path.unlink()
            else:
                part = self._folder.part(facts, path, (float(time.min()), float(time.max())), rows, 0)
                with self._journal.transaction() as writer:
                    manifest.register(writer, facts.unit, [part])

    @staticmethod
    def _can_be_made_again(connection: sqlite3.Connection, unit: int, facts: FileFacts, scans: int) -> bool:
        if facts.last <= manifest.mark(connection, unit, facts.width):
            return False
        if facts.width == HOURS:
            made_of = connection.execute(
                "SELECT count(*) FROM archive WHERE unit = ? AND width = ? AND first >= ? AND last <= ?",
                (unit, MINUTES, facts.first, facts.last),
            ).fetchone()
            return bool(made_of[0])
        there = connection.execute(
            "SELECT count(*) FROM entry WHERE kind = 1 AND unit = ? AND sequence BETWEEN ? AND ?",
            (unit, facts.first, facts.last),
        ).fetchone()
        return int(there[0]) >= scans

    def expire(self, connection: sqlite3.Connection, now: float, done: Archived) -> None:
        """Let files go that are older than they are kept, minutes only once they are summed up to hours.

        A file goes when the next one of its unit is old too: times of a clock that was wrong do not make it
        go before its neighbours.
        """
        everything = manifest.parts(connection)
        old = []
        for part in everything:
            limit = now - self._keep(part.width)
            if part.finish >= limit:
                continue
            (unit,) = connection.execute("SELECT id FROM unit WHERE name = ?", (part.unit,)).fetchone()
            if part.width == MINUTES and part.last > manifest.mark(connection, unit, HOURS):
                continue
            later = [
                other.finish
                for other in everything
                if (other.unit, other.width) == (part.unit, part.width) and other.first > part.last
            ]
            if not later:
                (journal,) = connection.execute(
                    "SELECT min(time) FROM entry WHERE kind = 1 AND unit = ? AND sequence > ?",
                    (unit, part.last),
                ).fetchone()
                later = [part.finish if journal is None else journal]
            if min(later) < limit:
                old.append(part)
        if old:
            with self._journal.transaction() as writer:  # first, so that nobody asks for what is gone
                manifest.forget(writer, [part.name for part in old])
            for part in old:
                (self._folder.path / part.name).unlink(missing_ok=True)
            done.expired += len(old)

    def _keep(self, width: int) -> float:
        settings = self._settings
        return {SCANS: settings.keep_scans, MINUTES: settings.keep_minutes}.get(width, settings.keep_hours)
