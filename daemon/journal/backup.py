"""A copy of journal and archive that is whole, made beside a running daemon.

The journal is copied by SQLite's own means in one look at it: every transaction before that moment is in the
copy, none after it. Archive files never change once they are named in the journal, so those that the copy
names belong to it. Numbers that the daemon gives out after the backup are never given again by a daemon that
starts from the copy: numbering there goes on far above, so a receiver that drops repeats loses nothing.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from pathlib import Path

from daemon.journal import schema
from daemon.journal.errors import JournalUnusable
from daemon.journal.integrity import verify
from daemon.journal.manifest import archive_folder, parts

BEYOND = 1 << 40
"""How far numbering goes on above the last number: more than years of scans of a thousand units."""
ATTEMPTS = 3
"""Tries: the daemon may replace archive files by others between the journal's copy and theirs."""


def back_up(journal: Path, folder: Path) -> list[Path]:
    """Copy a journal and its archive into a folder and check the copy.

    Parameters
    ----------
    journal : pathlib.Path
        The journal's file.
    folder : pathlib.Path
        Existing folder for the copies; archive files keep their place relative to the journal.

    Returns
    -------
    list of pathlib.Path
        What was written.

    Raises
    ------
    JournalUnusable
        It cannot be read, or is damaged.
    OSError
        The copies cannot be written.
    """
    for _ in range(ATTEMPTS):
        try:
            return _copied(journal, folder)
        except FileNotFoundError as error:
            missing = error.filename
    raise JournalUnusable(f"{missing}: is named by the journal and is not there; run tegwatch doctor")


def _copied(journal: Path, folder: Path) -> list[Path]:
    copy = folder / journal.name
    copy.unlink(missing_ok=True)
    source = schema.connect_reader(journal)
    with contextlib.closing(source), contextlib.closing(sqlite3.connect(copy, isolation_level=None)) as made:
        try:
            source.backup(made)
        except sqlite3.Error as error:
            raise JournalUnusable(f"{journal}: cannot be copied: {error}") from error
        made.execute("PRAGMA journal_mode = DELETE")  # one file, whatever becomes of it
        made.text_factory = schema.forgiving_text
        if wrong := verify(made):
            raise JournalUnusable(f"{journal}: is damaged: {'; '.join(wrong[:3])}")
        _move_numbers_on(made)
        written = [copy]
        archive = archive_folder(made, journal)
        if archive is not None:
            for part in parts(made):
                place = folder / archive.relative_to(journal.absolute().parent) / part.name
                place.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(archive / part.name, place)
                written.append(place)
    return written


def _move_numbers_on(copy: sqlite3.Connection) -> None:
    highest = copy.execute("SELECT max(sequence) FROM entry").fetchone()[0] or 0
    known = copy.execute("SELECT value FROM meta WHERE key = 'next_sequence'").fetchone()
    following = max(highest + 1, int(known[0]) if known else 1) + BEYOND
    copy.executemany(
        "INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)",
        [("clean", "1"), ("next_sequence", str(following))],
    )
