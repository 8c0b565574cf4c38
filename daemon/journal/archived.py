"""The archive's part of an answer: which files are asked, what is in them, and what cannot be read."""

from __future__ import annotations

import functools
import heapq
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from daemon.journal import manifest
from daemon.journal.archive_reading import (
    ArchivedScans,
    check_file,
    read_points,
    read_scans,
    read_statistics,
)
from daemon.journal.columns import Column
from daemon.journal.errors import ArchiveDamaged
from daemon.journal.manifest import HOURS, MINUTES, SCANS, ArchivedPart
from daemon.journal.reading import Reader
from daemon.journal.rows import Row, Sample
from daemon.journal.summaries import NOT_STORED, Floats, Summaries
from daemon.model import OperatingState, Status

_STATUSES = {status.value: status for status in Status} | {NOT_STORED: Status.GOOD}
_STATES = {state.value: state for state in OperatingState}


class Archive:
    """The archive of a journal that is open for questions.

    Parameters
    ----------
    reader : Reader
        Asks the journal.
    journal : Path
        The journal's file; the folder's name is relative to where it lies.

    Attributes
    ----------
    unreadable : dict of str to str
        Files that could not be read, by name, with what is wrong; the others answered without them.
    """

    def __init__(self, reader: Reader, journal: Path) -> None:
        self._ask, self._connection = reader, reader.connection
        self._folder = manifest.archive_folder(reader.connection, journal)
        self.unreadable: dict[str, str] = {}

    def answering(self, unit: int, width: int, start: float, end: float) -> tuple[int, list[ArchivedPart]]:
        """Return up to which sequence the archive answers, and its files for a span; of one moment.

        The files have rows of ``width`` seconds or, where hours are not summed up yet, minutes. Whoever asks
        the journal for the rest asks above this sequence, also when the archive has gone on meanwhile: the
        journal keeps for a while what it does not answer for any more.
        """
        with self._ask.moment() as connection:
            above = manifest.mark(connection, unit, SCANS)
            found = manifest.parts(connection, unit, width, start, end)
            if width == HOURS:
                summed_up = manifest.mark(connection, unit, HOURS)
                minutes = manifest.parts(connection, unit, MINUTES, start, end)
                found += [part for part in minutes if part.first > summed_up]
        return above, found

    def span(self, unit: int) -> tuple[float, float] | None:
        """Return the earliest and the latest time of which there is anything."""
        parts = manifest.parts(self._connection, unit)
        if not parts:
            return None
        return min(part.start for part in parts), max(part.finish for part in parts)

    def summaries(
        self, part: ArchivedPart, columns: Sequence[Column], start: float, end: float
    ) -> Summaries | None:
        """Read a span of a file; ``None`` when it cannot be read, which is noted."""
        try:
            if part.width == SCANS:
                return read_points(self._path(part), columns, start, end)
            return read_statistics(self._path(part), columns).within(start, end)
        except ArchiveDamaged as damaged:
            self._note(part, damaged)
            return None

    def rows(
        self, parts: Sequence[ArchivedPart], columns: Sequence[Column], start: float, end: float
    ) -> Iterator[Row]:
        """Yield the scans of a span in files of scans in the order of time, then of the journal."""
        parts = list(parts)
        while parts:
            # Files overlap only where the clock was set; then they are read side by side.
            together, until = 1, parts[0].finish
            while together < len(parts) and parts[together].start <= until:
                until = max(until, parts[together].finish)
                together += 1
            side_by_side = [self._rows(part, columns, start, end) for part in parts[:together]]
            yield from heapq.merge(*side_by_side, key=lambda row: (row.time, row.sequence))
            parts = parts[together:]

    def last(self, unit: int, columns: Sequence[Column]) -> Row | None:
        """Return the archived scan with the highest sequence."""
        for part in sorted(manifest.parts(self._connection, unit, SCANS), key=lambda part: -part.last):
            newest = max(
                self._rows(part, columns, -math.inf, math.inf), key=lambda row: row.sequence, default=None
            )
            if newest is not None:
                return newest
        return None

    def verify(self) -> list[str]:
        """Read every file; return what is wrong."""
        found = (check_file(self._path(part)) for part in manifest.parts(self._connection))
        return [text for text in found if text]

    # ------------------------------------------------------------------

    def _path(self, part: ArchivedPart) -> Path:
        return (self._folder or Path()) / part.name

    def _note(self, part: ArchivedPart, damaged: ArchiveDamaged) -> None:
        """Keep what is wrong, unless the file has only just ceased to answer."""
        if self._ask("SELECT 1 FROM archive WHERE name = ?", (part.name,)):
            self.unreadable[part.name] = str(damaged)

    def _rows(self, part: ArchivedPart, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
        try:
            for scans in read_scans(self._path(part), columns, start, end):
                yield from _as_rows(scans, columns)
        except ArchiveDamaged as damaged:
            self._note(part, damaged)


def _as_rows(scans: ArchivedScans, columns: Sequence[Column]) -> Iterator[Row]:
    """Make rows of arrays, column by column: a day of scans is made of a million parts."""
    time = scans.time.tolist()
    troubled = [(at, _reasons(text)) for at, text in enumerate(scans.reasons) if text]
    samples: list[list[Sample | None]] = []
    for at, column in enumerate(columns):
        value, spread = _or_none(scans.values[:, at]), _or_none(scans.uncertainty[:, at])
        codes, age = scans.codes[:, at].tolist(), np.nan_to_num(scans.age[:, at])
        reasons, name = [""] * len(time), str(column)
        for row, texts in troubled:
            reasons[row] = texts.get(name, "")
        status = [_STATUSES[code] for code in codes]
        source = (scans.time - age).tolist()
        made: list[Sample | None] = list(
            map(Sample._make, zip(value, spread, status, reasons, source, strict=True))
        )
        for row in np.flatnonzero(scans.codes[:, at] == NOT_STORED).tolist():
            made[row] = None
        samples.append(made)
    state = [_STATES[name] for name in scans.state]
    of_each = zip(*samples, strict=True) if samples else [()] * len(time)
    yield from map(Row, scans.sequence.tolist(), time, state, of_each)


def _or_none(values: Floats) -> list[float | None]:
    found: list[float | None] = values.tolist()
    for row in np.flatnonzero(np.isnan(values)).tolist():
        found[row] = None
    return found


@functools.lru_cache(maxsize=256)
def _reasons(text: str) -> dict[str, str]:
    found: dict[str, str] = json.loads(text)
    return found
