"""The journal file: tables, versions, connections.

One table holds every entry, and its growing ``sequence`` is the order of the journal and the space that
cursors point into. Entries are only ever added; retention deletes old scans and nothing else. Whatever is not
an entry (names, layouts, cursors, monitor checkpoints) stands in small tables beside it and changes in the
same transactions.

``sequence`` never depends on a clock. A number that a receiver may have seen is never given to another
entry: retention notes the highest number that it deletes, and after a stop that was not clean, numbering
jumps ahead by ``STRIDE``, because a power cut can undo the newest commits of scans, and entries that went
out while the disk was full were never stored.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from daemon.journal.errors import JournalUnusable, StoreFailed
from daemon.model import EntryKind

APPLICATION_ID: Final = 0x54454757  # "TEGW" in the file's header: how a journal is told from other databases
STRIDE: Final = 1 << 20
KIND_NUMBERS: Final[dict[EntryKind, int]] = {EntryKind.SCAN: 1, EntryKind.ALARM: 2, EntryKind.EVENT: 3}
KINDS: Final[dict[int, EntryKind]] = {number: kind for kind, number in KIND_NUMBERS.items()}
SCAN: Final = KIND_NUMBERS[EntryKind.SCAN]

_VERSION_1 = """
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE boot (            -- one row per start of the daemon: monotonic times compare only within one
    id INTEGER PRIMARY KEY,
    machine_boot TEXT NOT NULL, -- the operating system's boot id
    started REAL NOT NULL       -- POSIX seconds by the box's clock
) STRICT;

CREATE TABLE unit (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE   -- '' is the site as a whole
) STRICT;

CREATE TABLE layout (          -- columns of a unit's scan rows; shared until the configuration changes
    id INTEGER PRIMARY KEY,
    unit INTEGER NOT NULL REFERENCES unit (id),
    columns TEXT NOT NULL,
    UNIQUE (unit, columns)
) STRICT;

CREATE TABLE entry (
    sequence INTEGER PRIMARY KEY, -- by the writer; AUTOINCREMENT would write a page more each time
    kind INTEGER NOT NULL,      -- 1 scan, 2 alarm transition, 3 event
    unit INTEGER NOT NULL REFERENCES unit (id),
    boot INTEGER NOT NULL REFERENCES boot (id),
    time REAL NOT NULL,         -- POSIX seconds UTC
    monotonic REAL NOT NULL,
    layout INTEGER REFERENCES layout (id),
    body ANY NOT NULL,          -- scan: packed, with a check sum; record: JSON text
    hash BLOB                   -- records: SHA-256 over the previous record's hash and this record
) STRICT;

CREATE INDEX scan_by_unit_and_time ON entry (unit, time) WHERE kind = 1;
CREATE INDEX record_by_sequence ON entry (sequence) WHERE kind <> 1;
CREATE INDEX record_by_time ON entry (time) WHERE kind <> 1;

CREATE TABLE checkpoint (      -- newest saved state of each unit's monitor
    unit INTEGER PRIMARY KEY REFERENCES unit (id),
    sequence INTEGER NOT NULL,  -- last entry that it takes into account
    time REAL NOT NULL,
    monotonic REAL NOT NULL,
    boot INTEGER NOT NULL REFERENCES boot (id),
    body TEXT NOT NULL
) STRICT;

CREATE TABLE cursor (          -- how far each sink has delivered
    name TEXT PRIMARY KEY,
    sequence INTEGER NOT NULL,
    lost INTEGER NOT NULL DEFAULT 0 -- scans that retention deleted before the sink had them
) STRICT, WITHOUT ROWID;
"""

_VERSION_2 = """
CREATE TABLE step_input (      -- what a replay needs beside an outcome's entries (daemon.journal.steps)
    sequence INTEGER PRIMARY KEY, -- of the outcome's first entry
    body TEXT NOT NULL
) STRICT;

CREATE TABLE kept_state (      -- saved states of monitors from which a replay can begin
    sequence INTEGER PRIMARY KEY, -- last entry that it takes into account
    unit INTEGER NOT NULL REFERENCES unit (id),
    time REAL NOT NULL,
    boot INTEGER NOT NULL REFERENCES boot (id),
    body TEXT NOT NULL
) STRICT;

CREATE TABLE inputs_known (    -- entries before this one were stored without the inputs of their steps
    since INTEGER NOT NULL
) STRICT;

INSERT INTO inputs_known SELECT coalesce(max(sequence), 0) + 1 FROM entry;
"""

_VERSION_3 = """
CREATE TABLE archive (         -- files that answer for a part of the journal (daemon.journal.manifest)
    id INTEGER PRIMARY KEY,
    unit INTEGER NOT NULL REFERENCES unit (id),
    width INTEGER NOT NULL,     -- seconds of a row: 0 scans, 60 minutes, 3600 hours
    first INTEGER NOT NULL,     -- sequences of the unit's first and last scan in it
    last INTEGER NOT NULL,
    start REAL NOT NULL,        -- earliest and latest time in it; of statistics: begin of the first row and
    finish REAL NOT NULL,       -- of the last
    rows INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    damaged INTEGER NOT NULL DEFAULT 0, -- scans that could not be read and are not in it
    name TEXT NOT NULL UNIQUE   -- path below the archive's folder
) STRICT;

CREATE INDEX archive_by_unit_and_time ON archive (unit, width, finish);

CREATE TABLE archived (        -- up to which sequence the archive answers for a unit, and the journal no more
    unit INTEGER NOT NULL REFERENCES unit (id),
    width INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    PRIMARY KEY (unit, width)
) STRICT, WITHOUT ROWID;
"""

MIGRATIONS: tuple[str | Callable[[sqlite3.Connection], None], ...] = (_VERSION_1, _VERSION_2, _VERSION_3)
"""Step ``n`` leads from version ``n`` to ``n + 1``; steps that have shipped never change."""


def forgiving_text(stored: bytes) -> str:
    """Decode a text column; broken text then fails its check, not the whole query."""
    return stored.decode(errors="replace")


def version(connection: sqlite3.Connection) -> int:
    """Return the schema version of a file; 0 is an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def chain_hash(previous: bytes, sequence: int, kind: int, unit: str, boot: int, text: str) -> bytes:
    """Hash of a record: covers the record, its place and, through ``previous``, every record before it."""
    head = f"{sequence}\x1f{kind}\x1f{unit}\x1f{boot}\x1f".encode()
    return hashlib.sha256(previous + head + text.encode()).digest()


def chain_start(identity: str) -> bytes:
    """Return what the first record's hash covers in place of a previous one."""
    return hashlib.sha256(identity.encode()).digest()


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection, path: Path, synchronous: str = "FULL") -> Iterator[None]:
    """Store all that is done inside, or nothing; ``FULL`` outlasts a power cut, ``NORMAL`` a killed process.

    Raises
    ------
    StoreFailed
        SQLite refused; nothing was stored.
    """
    try:
        connection.execute(f"PRAGMA synchronous = {synchronous}")
        connection.execute("BEGIN IMMEDIATE")
        yield
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        _roll_back(connection)
        raise StoreFailed(f"{path}: {error}") from error
    except BaseException:
        _roll_back(connection)
        raise


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        with contextlib.suppress(sqlite3.Error):  # the failure that led here is the one to report
            connection.execute("ROLLBACK")


def connect_writer(path: Path) -> sqlite3.Connection:
    """Open the file for the daemon's one writer; creates it where it does not exist.

    Raises
    ------
    JournalUnusable
        Not a journal, of a newer version, or not writable.
    """
    try:
        # The writer moves between threads (opened at start, used by the writer thread) but never shares.
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
    except sqlite3.OperationalError as error:
        raise JournalUnusable(
            f"{path}: cannot be opened ({error}); check that the folder exists and that the daemon's user "
            "may write in it"
        ) from error
    connection.text_factory = forgiving_text
    try:
        _refuse_strangers(connection, path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA journal_size_limit = 67108864")
        # KiB. Only the newest pages are written to; 8 MiB took the same time for a thousand units a second.
        connection.execute("PRAGMA cache_size = -2048")
        connection.execute("PRAGMA temp_store = MEMORY")
        migrate(connection)
    except sqlite3.OperationalError as error:
        connection.close()
        raise JournalUnusable(
            f"{path}: cannot be used ({error}); check free space and that the daemon's user may write it"
        ) from error
    except BaseException:
        connection.close()
        raise
    return connection


def connect_reader(path: Path) -> sqlite3.Connection:
    """Open a journal for reading only, beside a running daemon or without one.

    Raises
    ------
    JournalUnusable
        No such file, not a journal, or of a newer version.
    """
    if not path.is_file():
        raise JournalUnusable(f"{path}: no such journal; the daemon makes it when it first runs")
    base = path.absolute().as_uri()
    connection = sqlite3.connect(f"{base}?mode=ro", uri=True, isolation_level=None, check_same_thread=False)
    try:
        try:
            connection.execute("SELECT 1 FROM sqlite_master").fetchone()
        except sqlite3.OperationalError as error:
            # In a folder that may not be written, WAL's shared memory cannot be made. A journal that was
            # closed cleanly has everything in its main file and can be read as it lies there.
            wal = path.with_name(path.name + "-wal")
            if wal.exists() and wal.stat().st_size > 0:
                raise JournalUnusable(
                    f"{path}: cannot be read here ({error}); copy it with its -wal file to a folder that you "
                    "may write"
                ) from error
            connection.close()
            connection = sqlite3.connect(
                f"{base}?mode=ro&immutable=1", uri=True, isolation_level=None, check_same_thread=False
            )
        connection.text_factory = forgiving_text
        _refuse_strangers(connection, path)
        if version(connection) == 0:
            raise JournalUnusable(f"{path}: is empty; the daemon has not written to it yet")
        if version(connection) < len(MIGRATIONS):
            raise JournalUnusable(
                f"{path}: is of an older version; start the daemon once to bring it up to date"
            )
    except BaseException:
        connection.close()
        raise
    return connection


def migrate(connection: sqlite3.Connection) -> int:
    """Bring a file to the present version, each step in its own transaction; return how many were made."""
    made = 0
    while (at := version(connection)) < len(MIGRATIONS):
        connection.execute("BEGIN IMMEDIATE")
        try:
            step = MIGRATIONS[at]
            if callable(step):
                step(connection)
            else:
                for statement in _statements(step):
                    connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {at + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:  # SQLite ends it by itself when the disk fails
                connection.execute("ROLLBACK")
            raise
        made += 1
    return made


def _statements(script: str) -> list[str]:
    """Split a script at the ends of lines; ``executescript`` would commit the transaction that a step is."""
    statements, pending = [], ""
    for line in script.splitlines():
        pending += line + "\n"
        if sqlite3.complete_statement(pending):
            statements.append(pending)
            pending = ""
    return statements


def _refuse_strangers(connection: sqlite3.Connection, path: Path) -> None:
    try:
        application = int(connection.execute("PRAGMA application_id").fetchone()[0])
        tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            raise JournalUnusable(
                f"{path}: is not a journal; name another file in [journal] path, or move this one away"
            ) from error
        raise  # damaged: the caller may salvage it
    if tables and application != APPLICATION_ID:
        raise JournalUnusable(f"{path}: is a database of something else; name another file in [journal] path")
    if version(connection) > len(MIGRATIONS):
        raise JournalUnusable(
            f"{path}: was written by a newer tegwatch (journal version {version(connection)}, "
            f"this one knows {len(MIGRATIONS)}); install that version again"
        )
