"""The journal: one file, one writer, entries that are only ever added.

``commit`` stores a batch of outcomes in one transaction: values, alarm transitions, events and the
monitor's checkpoint together, so that no stop of any kind leaves one without the others. A batch with a
transition or an event is on the disk when ``commit`` returns (synchronous=FULL); a batch of scans only
survives the death of the process, and a power cut may undo the newest of them, never one in the middle.

One call runs at a time; a call from another thread waits for it.
"""

from __future__ import annotations

import contextlib
import functools
import secrets
import sqlite3
import threading
import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from daemon.journal import schema
from daemon.journal.drafts import Draft
from daemon.journal.errors import JournalUnusable, StoreFailed, Unstorable
from daemon.journal.inserting import Inserter
from daemon.journal.integrity import Salvage, check_quickly, is_damage, lock, salvage, verify
from daemon.journal.reading import EntrySource
from daemon.journal.retention import Pruned, prune_scans
from daemon.model import Entry, EntryKind, Outcome

ALL_KINDS = frozenset(EntryKind)

_P = ParamSpec("_P")
_R = TypeVar("_R")


def _one_at_a_time(
    method: Callable[Concatenate[Journal, _P], _R],
) -> Callable[Concatenate[Journal, _P], _R]:
    @functools.wraps(method)
    def alone(self: Journal, /, *args: _P.args, **kwargs: _P.kwargs) -> _R:
        with self._access:
            return method(self, *args, **kwargs)

    return alone


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A unit's saved monitor state, and the entry up to which it holds."""

    unit: str
    sequence: int
    time: float
    monotonic: float
    same_boot: bool
    """Whether monotonic times of it can be compared with those of this process."""
    body: str


class Journal:
    """The journal of one daemon, open for writing.

    Attributes
    ----------
    identity : str
        Random id of the file; with a sequence number it names an entry for ever.
    salvage : Salvage or None
        What was done when the file was found damaged at opening.
    """

    def __init__(self, path: Path, machine_boot: str, now: float) -> None:
        self.path = path
        self._access = threading.RLock()
        self._lock = lock(path)
        try:
            self.salvage: Salvage | None = None
            try:
                self._connection = schema.connect_writer(path)
                complaint = check_quickly(self._connection)
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                complaint = str(error)
            if complaint:
                with contextlib.suppress(AttributeError, sqlite3.Error):
                    self._connection.close()
                self.salvage = salvage(path, complaint, now)
                self._connection = schema.connect_writer(path)
            self._begin(machine_boot, now)
        except sqlite3.Error as error:
            self._lock.close()
            raise JournalUnusable(f"{path}: cannot be used: {error}") from error
        except BaseException:
            self._lock.close()
            raise

    @classmethod
    def open(cls, path: Path, *, now: float, machine_boot: str | None = None) -> Journal:
        """Open or create a journal; a damaged one is set aside and what is readable carried over.

        Parameters
        ----------
        path : Path
            The file.
        now : float
            POSIX seconds, for the record of this start.
        machine_boot : str, optional
            The operating system's boot id; read from the system where not given.

        Raises
        ------
        JournalUnusable
            Not a journal, of a newer version, in use by another daemon, or not writable.
        """
        return cls(path, machine_boot or _machine_boot(), now)

    def _begin(self, machine_boot: str, now: float) -> None:
        run = self._connection.execute
        meta = dict(run("SELECT key, value FROM meta"))
        highest = run("SELECT max(sequence) FROM entry").fetchone()[0] or 0
        used = max(highest, int(meta.get("next_sequence", 1)) - 1)
        clean = not meta or meta.get("clean") == "1"
        self.identity = meta.get("identity") or uuid.uuid4().hex
        self._next = used + 1 if clean else used + schema.STRIDE
        self._chain = bytes.fromhex(meta.get("chain_head", schema.chain_start(self.identity).hex()))
        self._machine_boot, self._started = machine_boot, now
        self._boot: int | None = None
        self._inserter = Inserter(self._connection)
        try:
            self.store(())
        except StoreFailed:
            # A full disk must not keep the daemon from watching: the first commit that succeeds enrolls
            # this start. Until then the file does not know that numbers are being used; a start after this
            # one must not use the same.
            self._next += schema.STRIDE + secrets.randbelow(1 << 40)

    def _enroll(self) -> int:
        """Note this start and that it has not ended cleanly; return its number."""
        number = self._connection.execute(
            "INSERT INTO boot (machine_boot, started) VALUES (?, ?)", (self._machine_boot, self._started)
        ).lastrowid
        self._set_meta(identity=self.identity, chain_head=self._chain.hex(), clean="0")
        return number or 0

    @property
    def next_sequence(self) -> int:
        """Number that the next entry gets."""
        return self._next

    @property
    def last_sequence(self) -> int:
        """Highest number given so far."""
        return self._next - 1

    # ------------------------------------------------------------------ writing

    def number(self, outcome: Outcome) -> Draft:
        """Give an outcome its place; may be called while another thread is in ``store``."""
        draft = Draft(outcome, self._next)
        self._next += draft.length
        return draft

    def commit(self, outcomes: Sequence[Outcome]) -> int:
        """Store outcomes in one transaction, in order.

        Returns
        -------
        int
            Sequence of the last entry.

        Raises
        ------
        StoreFailed
            Nothing was stored.
        """
        self.store([self.number(outcome) for outcome in outcomes])
        return self.last_sequence

    @_one_at_a_time
    def store(self, drafts: Sequence[Draft], cursors: Iterable[tuple[str, int]] = ()) -> None:
        """Store numbered outcomes and moved cursors in one transaction.

        Raises
        ------
        StoreFailed
            Nothing was stored; the same drafts may be given again.
        Unstorable
            Nothing was stored; one draft never can be.
        """
        durable = self._boot is None or any(draft.has_records for draft in drafts)
        chain = self._chain
        with self._changing("FULL" if durable else "NORMAL"):
            if self._boot is None:
                self._boot = self._enroll()
            for draft in drafts:
                try:
                    chain = self._inserter.insert(draft, chain, self._boot)
                except (TypeError, ValueError, OverflowError, LookupError, sqlite3.InterfaceError) as error:
                    raise Unstorable(draft.first, f"{type(error).__name__}: {error}") from error
            if chain is not self._chain:
                self._set_meta(chain_head=chain.hex())
            for name, sequence in cursors:
                self._put_cursor(name, sequence)
        self._chain = chain

    @contextlib.contextmanager
    def _changing(self, synchronous: str) -> Iterator[None]:
        """Give a transaction; what one that failed has added to memory is forgotten."""
        boot = self._boot
        try:
            with schema.transaction(self._connection, self.path, synchronous):
                yield
        except BaseException:
            self._inserter.forget()
            self._boot = boot
            raise

    # ------------------------------------------------------------------ reading

    @_one_at_a_time
    def entries(self, after: int, limit: int, kinds: Collection[EntryKind] = ALL_KINDS) -> list[Entry]:
        """Return up to ``limit`` entries of these kinds above ``after``, in the order of the journal."""
        return EntrySource(self._connection).entries(after, limit, kinds)

    @_one_at_a_time
    def checkpoint(self, unit: str) -> Checkpoint | None:
        """Return the newest saved monitor state of a unit."""
        row = self._connection.execute(
            "SELECT sequence, time, checkpoint.monotonic, machine_boot, body FROM checkpoint "
            "JOIN unit ON unit.id = checkpoint.unit JOIN boot ON boot.id = checkpoint.boot WHERE name = ?",
            (unit,),
        ).fetchone()
        if row is None:
            return None
        sequence, time, monotonic, machine_boot, body = row
        return Checkpoint(unit, sequence, time, monotonic, machine_boot == self._machine_boot, body)

    @_one_at_a_time
    def kept_units(self) -> set[str]:
        """Return the names of all units of which a monitor's state is kept, those of long ago too."""
        rows = self._connection.execute("SELECT name FROM checkpoint JOIN unit ON unit.id = checkpoint.unit")
        return {str(name) for (name,) in rows}

    @_one_at_a_time
    def verify(self) -> list[str]:
        """Check the whole file: pages, check sums of every scan, hash chain. Slow on a large file.

        Returns
        -------
        list of str
            What is wrong; empty when nothing is.
        """
        return verify(self._connection)

    # ------------------------------------------------------------------ cursors and retention

    @_one_at_a_time
    def cursor(self, name: str) -> int | None:
        """Return where a sink stands; ``None`` for one that the journal does not know."""
        row = self._connection.execute("SELECT sequence FROM cursor WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else None

    def move_cursor(self, name: str, sequence: int) -> None:
        """Keep that a sink has delivered everything up to and with ``sequence``; never moves back."""
        self.store((), [(name, sequence)])

    @_one_at_a_time
    def lost(self, name: str) -> int:
        """How many scans retention deleted before this sink had delivered them."""
        row = self._connection.execute("SELECT lost FROM cursor WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0

    @_one_at_a_time
    def prune(
        self,
        before: float,
        *,
        now: float,
        scan_readers: Collection[str] = (),
        spare_unarchived: bool = False,
    ) -> Pruned:
        """Delete old scans, some thousands at most in one call; alarms, events and checkpoints stay.

        What is old is judged along the journal's order (``daemon.journal.retention`` says how).

        Parameters
        ----------
        before : float
            Scans older than this go [POSIX s].
        now : float
            The present time [POSIX s].
        scan_readers : collection of str
            Sinks that send scans on: what is deleted before they had it is counted as lost to them.
        spare_unarchived : bool
            Whether scans for which the archive does not answer yet stay, however old.
        """
        with self.transaction("NORMAL") as connection:
            return prune_scans(connection, before, now, scan_readers, spare_unarchived=spare_unarchived)

    @contextlib.contextmanager
    def transaction(self, synchronous: str = "FULL") -> Iterator[sqlite3.Connection]:
        """Give a transaction to whoever changes what stands beside the entries.

        Raises
        ------
        StoreFailed
            Nothing was stored.
        """
        with self._access, self._changing(synchronous):
            yield self._connection

    @_one_at_a_time
    def close(self) -> None:
        """Close; numbering then goes on without a jump, unless the disk does not even take that note."""
        with contextlib.suppress(sqlite3.Error):  # everything else is stored or was refused before
            self._set_meta(clean="1", next_sequence=str(self._next))
        self._connection.close()
        self._lock.close()

    def _put_cursor(self, name: str, sequence: int) -> None:
        self._connection.execute(
            "INSERT INTO cursor (name, sequence) VALUES (?, ?) "
            "ON CONFLICT (name) DO UPDATE SET sequence = max(sequence, excluded.sequence)",
            (name, sequence),
        )

    def _set_meta(self, **values: str) -> None:
        self._connection.executemany("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", values.items())


def _machine_boot() -> str:
    """Return the operating system's boot id; a random one where it has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return uuid.uuid4().hex
