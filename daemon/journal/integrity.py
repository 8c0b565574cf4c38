"""Is the file what was written? Checks at opening, the full check, and salvage of a damaged file.

A monitor that refuses to start because its history is damaged helps nobody, so a damaged file is set aside,
never deleted, and whatever can be read is carried over into a new one with the same numbers.
"""

from __future__ import annotations

import datetime
import sqlite3
import time as clock
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from daemon.journal import schema
from daemon.journal.errors import JournalUnusable
from daemon.journal.packing import DamagedRow, Layout, ScanRow

try:
    import fcntl
except (
    ImportError
):  # a platform without it: SQLite still keeps the file sound, two daemons just get in each other's way
    fcntl = None  # type: ignore[assignment]  # not on every platform

_CHECK_SECONDS = 1.0
_TAIL = 200
_SMALL_TABLES = ("boot", "unit", "layout", "checkpoint", "cursor", "step_input", "kept_state")
_ARCHIVE_TABLES = ("archive", "archived")


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was found and done when a damaged journal was opened; the daemon journals it as an event."""

    complaint: str
    set_aside: Path
    carried_over: int
    """Entries that could be read."""
    gaps: tuple[tuple[int, int], ...]
    """Ranges of sequence numbers, ends included, in which something could not be read."""

    def __str__(self) -> str:
        missing = ", ".join(f"{first} to {last}" for first, last in self.gaps) or "none"
        return (
            f"the journal was damaged ({self.complaint}); {self.carried_over} entries were carried over, "
            f"unreadable entries: {missing}; the damaged file is kept as {self.set_aside.name}"
        )


def is_damage(error: sqlite3.DatabaseError) -> bool:
    """Whether an error means that the file's pages are broken, not that it may not or cannot be used."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF == sqlite3.SQLITE_CORRUPT


def lock(path: Path) -> IO[str]:
    """Claim a journal for this process; the claim ends with the process.

    Raises
    ------
    JournalUnusable
        Another process has it, or its folder cannot be written.
    """
    try:
        handle = path.with_name(path.name + ".lock").open("w")
    except OSError as error:
        raise JournalUnusable(
            f"{path}: cannot be opened ({error.strerror}); check that the folder exists and that the "
            "daemon's user may write in it"
        ) from error
    if fcntl is not None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            handle.close()
            raise JournalUnusable(
                f"{path}: is in use by another daemon; stop that one, or give this one a journal of its own"
            ) from error
    return handle


def check_quickly(connection: sqlite3.Connection, seconds: float = _CHECK_SECONDS) -> str:
    """Check what start-up has time for: the newest entries, then as many pages as fit into ``seconds``.

    Returns
    -------
    str
        What is wrong, empty when nothing was found.
    """
    complaint = _check_tail(connection)
    if complaint:
        return complaint
    give_up = clock.monotonic() + seconds
    connection.set_progress_handler(lambda: clock.monotonic() > give_up, 10_000)
    try:
        found = [row[0] for row in connection.execute("PRAGMA quick_check(1)")]
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_INTERRUPT:
            return ""  # a large file; the rest is for ``verify``
        raise
    finally:
        connection.set_progress_handler(None, 0)
    return "" if found == ["ok"] else str(found[0])


def _check_tail(connection: sqlite3.Connection) -> str:
    rows = connection.execute(
        "SELECT sequence, columns, body FROM entry LEFT JOIN layout ON layout.id = layout "
        "WHERE kind = 1 ORDER BY sequence DESC LIMIT ?",
        (_TAIL,),
    )
    for sequence, columns, body in rows:
        if complaint := _scan_complaint(sequence, columns, body):
            return complaint
    head = connection.execute("SELECT value FROM meta WHERE key = 'chain_head'").fetchone()
    newest = connection.execute(
        "SELECT sequence, hash FROM entry WHERE kind <> 1 ORDER BY sequence DESC LIMIT 1"
    ).fetchone()
    if newest is not None and head is not None and newest[1] != bytes.fromhex(head[0]):
        return f"record {newest[0]} is not the one that was written last"
    return ""


def _scan_complaint(sequence: int, columns: str | None, body: bytes) -> str:
    if columns is None:
        return f"scan {sequence} has no layout"
    try:
        ScanRow(Layout.from_json(columns), body)
    except (DamagedRow, ValueError, KeyError, TypeError) as error:
        return f"scan {sequence}: {error}"
    return ""


def verify(connection: sqlite3.Connection) -> list[str]:
    """Check everything: pages and indexes, every scan's check sum, the chain of records."""
    found = [row[0] for row in connection.execute("PRAGMA integrity_check(20)") if row[0] != "ok"]
    scans = connection.execute(
        "SELECT sequence, columns, body FROM entry LEFT JOIN layout ON layout.id = layout WHERE kind = 1"
    )
    found += [text for row in scans if (text := _scan_complaint(*row))]
    meta = dict(connection.execute("SELECT key, value FROM meta"))
    chain = schema.chain_start(meta["identity"])
    records = connection.execute(
        "SELECT sequence, kind, name, boot, body, hash FROM entry JOIN unit ON unit.id = unit "
        "WHERE kind <> 1 ORDER BY sequence"
    )
    gaps = {int(key.removeprefix("gap_")): value for key, value in meta.items() if key.startswith("gap_")}
    for sequence, kind, unit, boot, text, stored in records:
        expected = schema.chain_hash(chain, sequence, kind, unit, boot, text)
        if stored != expected and sequence not in gaps:
            found.append(f"record {sequence} was changed, or one before it was added or taken away")
        chain = stored
    if chain.hex() != meta["chain_head"]:
        found.append("the newest records are missing")
    return found


def salvage(path: Path, complaint: str, now: float) -> Salvage:
    """Set a damaged journal aside and carry what is readable into a new one with the same numbers."""
    stamp = datetime.datetime.fromtimestamp(now, datetime.UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    count = 1
    while aside.exists():
        count += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{count}")
    for suffix in (
        "-wal",
        "",
    ):  # the log first: a stop between the two leaves the main file to be found again
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    new = schema.connect_writer(path)
    try:
        old = sqlite3.connect(aside, isolation_level=None)
        old.text_factory = schema.forgiving_text
        try:
            return _carry_over(old, new, complaint, aside)
        finally:
            old.close()
    finally:
        new.close()


def _carry_over(old: sqlite3.Connection, new: sqlite3.Connection, complaint: str, aside: Path) -> Salvage:
    new.execute("BEGIN IMMEDIATE")
    for table in ("meta", *_SMALL_TABLES, *_ARCHIVE_TABLES):
        _copy_table(old, new, table)
    layouts = dict(new.execute("SELECT id, columns FROM layout"))
    after, step, limit, carried, gaps = 0, 1, 500, 0, list[tuple[int, int]]()
    top = _highest(old)
    while after < top:
        try:
            rows = old.execute(
                "SELECT sequence, kind, unit, boot, time, monotonic, layout, body, hash FROM entry "
                "WHERE sequence > ? ORDER BY sequence LIMIT ?",
                (after, limit),
            ).fetchall()
        except sqlite3.DatabaseError:
            if limit > 1:  # come closer to what cannot be read
                limit //= min(limit, 8)
            else:  # and leap over it, further each time
                gaps.append((after + 1, after + step))
                after, step = after + step, step * 2
            continue
        if not rows:
            break
        for row in rows:
            if row[1] == schema.SCAN and _scan_complaint(row[0], layouts.get(row[6]), row[7]):
                gaps.append((row[0], row[0]))
                continue
            new.execute("INSERT OR IGNORE INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
            carried += 1
        after, step, limit = rows[-1][0], 1, min(500, limit * 2)
    newest = new.execute("SELECT hash FROM entry WHERE kind <> 1 ORDER BY sequence DESC LIMIT 1").fetchone()
    if newest is not None:
        new.execute("INSERT OR REPLACE INTO meta VALUES ('chain_head', ?)", (newest[0].hex(),))
    gaps = _merged(gaps)
    for _, last in gaps:  # the chain is broken here and ``verify`` may know why
        row = new.execute(
            "SELECT min(sequence) FROM entry WHERE kind <> 1 AND sequence > ?", (last,)
        ).fetchone()
        if row[0] is not None:
            new.execute("INSERT OR REPLACE INTO meta VALUES (?, 'salvaged')", (f"gap_{row[0]}",))
    new.execute("INSERT OR REPLACE INTO meta VALUES ('clean', '0')")
    new.execute("INSERT OR REPLACE INTO meta VALUES ('next_sequence', ?)", (str(max(top, after) + 1),))
    new.execute("COMMIT")
    return Salvage(complaint, aside, carried, tuple(gaps))


def _copy_table(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> None:
    try:
        rows = old.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - a name of our own
    except sqlite3.DatabaseError:
        return  # its rows are made anew: names when they are used, cursors at the head
    for row in rows:
        marks = ",".join("?" * len(row))
        new.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)  # noqa: S608 - a name of our own


def _highest(old: sqlite3.Connection) -> int:
    try:
        return int(old.execute("SELECT max(sequence) FROM entry").fetchone()[0] or 0)
    except sqlite3.DatabaseError:
        return 1 << 40  # beyond any number; the leaps get there quickly


def _merged(gaps: list[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for first, last in gaps:
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], last)
        else:
            merged.append((first, last))
    return merged
