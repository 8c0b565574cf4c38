"""History as it was stepped through: every stored step of one unit with what came into it, in order.

A replay needs three things of the journal: a saved state to begin from, the steps after it, and the places
where the daemon was started anew, because a monitor then went on from its newest saved state.
"""

from __future__ import annotations

import json
import sqlite3
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from daemon.journal import schema
from daemon.journal.errors import JournalError, JournalUnusable, NotStored
from daemon.journal.packing import DamagedRow, unpack_event, unpack_transition
from daemon.journal.reading import EntrySource
from daemon.journal.schema import KINDS
from daemon.journal.steps import unpack_given
from daemon.model import AlarmTransition, EntryKind, Event, ScanRecord, StepInput

_PAGE = 2000


@dataclass(slots=True)
class RecordedStep:
    """One stored outcome: a scan with what came of it, or an operator's request (then ``scan`` is ``None``).

    ``boot`` numbers the starts of the daemon. ``known`` is false for a step from before journals kept the
    inputs of their steps.
    """

    sequence: int
    boot: int
    time: float
    monotonic: float
    scan: ScanRecord | None
    number: int
    given: StepInput
    known: bool
    alarms: list[AlarmTransition] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Start:
    """Where a replay begins.

    ``exact`` is false when nobody knows the state that the monitor had there: it begins as new.
    """

    after: int
    time: float
    state: str | None
    exact: bool


@dataclass(frozen=True, slots=True)
class DaemonStart:
    """One start of the daemon or one reload, as its event tells it: what was in force from then on."""

    sequence: int
    time: float
    configuration: str
    values: str
    version: str


class Recording:
    """A journal opened for stepping through one unit's history again; a context manager.

    Parameters
    ----------
    path : Path
        The journal's file.
    unit : str
        Name of the dehydration unit.

    Raises
    ------
    JournalUnusable
        No such file, not a journal, or of another version.
    NotStored
        The journal has no scans of this unit.
    """

    def __init__(self, path: Path, unit: str) -> None:
        self.path, self.unit = path, unit
        try:
            self._connection = schema.connect_reader(path)
        except sqlite3.Error as error:
            raise JournalUnusable(f"{path}: cannot be read: {error}") from error
        self._source = EntrySource(self._connection)
        self.damaged = 0
        try:
            self._number = self._find_unit()
            self._known_since = int(self._rows("SELECT since FROM inputs_known")[0][0])
        except BaseException:
            self._connection.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def start(self, time: float) -> Start:
        """Find where to begin so that the state is right at ``time`` [POSIX s]."""
        rows = self._rows(
            "SELECT sequence, time, body FROM kept_state WHERE unit = ? AND time <= ? "
            "ORDER BY sequence DESC LIMIT 1",
            (self._number, time),
        )
        if rows:
            sequence, at, body = rows[0]
            return Start(sequence, at, body, exact=True)
        first = self._rows("SELECT min(sequence) FROM entry WHERE kind = 1 AND unit = ?", (self._number,))[0][
            0
        ]
        if self._is_beginning(first):
            return Start(first - 1, time, None, exact=True)
        later = self._rows(
            "SELECT min(sequence) FROM entry WHERE kind = 1 AND unit = ? AND time >= ?", (self._number, time)
        )[0][0]
        return Start((first if later is None else later) - 1, time, None, exact=False)

    def places(self, after: int, end: float) -> array[int]:
        """Return the sequences of the unit's entries after a place and up to the last before ``end``."""
        last = self._rows(
            "SELECT max(sequence) FROM entry WHERE kind = 1 AND unit = ? AND time < ?", (self._number, end)
        )[0][0]
        found = array("q")
        if last is not None:
            scans = "SELECT sequence FROM entry WHERE kind = 1 AND unit = ? AND sequence BETWEEN ? AND ?"
            found.extend(row[0] for row in self._rows(scans, (self._number, after + 1, last)))
        records = "SELECT sequence FROM entry WHERE kind <> 1 AND sequence > ? AND time < ? AND unit = ?"
        found.extend(row[0] for row in self._rows(records, (after, end, self._number)))
        return array("q", sorted(found))

    def steps(self, places: array[int]) -> Iterator[RecordedStep]:
        """Yield the steps at these places, in order; damaged rows are passed over and counted."""
        step: RecordedStep | None = None
        for begin in range(0, len(places), _PAGE):
            page = json.dumps(places[begin : begin + _PAGE].tolist())
            for row in self._rows(
                "SELECT e.sequence, kind, boot, time, monotonic, layout, e.body, step_input.body "
                "FROM entry AS e LEFT JOIN step_input USING (sequence) "
                "WHERE e.sequence IN (SELECT value FROM json_each(?)) ORDER BY e.sequence",
                (page,),
            ):
                if step is not None and self._belongs(step, row):
                    self._add(step, row)
                    continue
                if step is not None:
                    yield step
                step = self._open(row)
        if step is not None:
            yield step

    def restarts(self, places: array[int]) -> list[int]:
        """Return how many of these places come before each start of the daemon that lies among them."""
        if not places:
            return []
        rows = self._rows(
            "SELECT min(sequence) FROM entry WHERE unit = ? AND sequence BETWEEN ? AND ? GROUP BY boot "
            "ORDER BY 1",
            (self._number, places[0], places[-1]),
        )
        firsts = [row[0] for row in rows[1:]]
        found, index = [], 0
        for first in firsts:
            while index < len(places) and places[index] < first:
                index += 1
            found.append(index)
        return found

    def daemon_starts(self, after: int, until: int) -> list[DaemonStart]:
        """Return the starts and reloads that a stretch was recorded under, the last before it included."""
        rows = self._rows(
            "SELECT sequence, time, body FROM entry WHERE kind = 3 AND kind <> 1 AND sequence <= ? "
            "AND (body LIKE '%\"daemon started\"%' OR body LIKE '%\"configuration changed\"%') "
            "ORDER BY sequence",
            (until,),
        )
        starts = []
        for sequence, time, body in rows:
            event = unpack_event("", body)
            if event.kind in {"daemon started", "configuration changed"}:
                known = {
                    name: str(event.data.get(name, "")) for name in ("configuration", "values", "version")
                }
                starts.append(DaemonStart(sequence, time, **known))
        before = [start for start in starts if start.sequence <= after]
        return before[-1:] + [start for start in starts if start.sequence > after]

    # ------------------------------------------------------------------

    def _find_unit(self) -> int:
        rows = self._rows(
            "SELECT id FROM unit WHERE name = ? AND id IN (SELECT unit FROM layout)", (self.unit,)
        )
        if not rows:
            names = self._rows("SELECT name FROM unit WHERE id IN (SELECT unit FROM layout) ORDER BY name")
            there = ", ".join(row[0] for row in names) or "none"
            raise NotStored(f"no values of a unit called {self.unit}; there are: {there}")
        return int(rows[0][0])

    def _is_beginning(self, first: int | None) -> bool:
        """Whether the unit's first stored scan is the first that there ever was."""
        if first is None:
            raise NotStored(f"no scans of {self.unit} are stored any more")
        layout, body = self._rows("SELECT layout, body FROM entry WHERE sequence = ?", (first,))[0]
        if self._source.open_scan(layout, body).scan_number != 0:
            return False
        earlier = "SELECT 1 FROM entry WHERE kind <> 1 AND sequence < ? AND unit = ? LIMIT 1"
        return not self._rows(earlier, (first, self._number))

    @staticmethod
    def _belongs(step: RecordedStep, row: tuple[Any, ...]) -> bool:
        """Whether a row is a record of the same outcome; a scan or a request begins another one."""
        sequence, kind, boot, _, monotonic, _, _, given = row
        follows = sequence == step.sequence + 1 + len(step.alarms) + len(step.events) - (step.scan is None)
        return (
            kind != schema.SCAN
            and given is None
            and follows
            and boot == step.boot
            and monotonic == step.monotonic
        )

    def _open(self, row: tuple[Any, ...]) -> RecordedStep | None:
        sequence, kind, boot, time, monotonic, layout, body, given = row
        step = RecordedStep(
            sequence,
            boot,
            time,
            monotonic,
            None,
            0,
            unpack_given(self.unit, given, monotonic),
            known=sequence >= self._known_since,
        )
        if kind != schema.SCAN:
            self._add(step, row)
            return step
        try:
            opened = self._source.open_scan(layout, body)
            step.scan, step.number = opened.record(self.unit, time), opened.scan_number
        except (DamagedRow, ValueError, KeyError):
            self.damaged += 1
            return None
        return step

    def _add(self, step: RecordedStep, row: tuple[Any, ...]) -> None:
        try:
            if KINDS[row[1]] is EntryKind.ALARM:
                step.alarms.append(unpack_transition(self.unit, row[6]))
            else:
                step.events.append(unpack_event(self.unit, row[6]))
        except (ValueError, TypeError, KeyError):
            self.damaged += 1

    def _rows(self, statement: str, values: tuple[object, ...] = ()) -> list[Any]:
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: cannot be read: {error}") from error
