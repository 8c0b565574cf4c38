"""The history as a time-series database holds it, asked the questions that the journal answers.

What the sink sent there comes back as the same rows, statistics and records, in SI. It is told apart from the
journal's own answers by little:

* numbers have the nine digits that were sent;
* what the sink leaves out (priorities and units that its settings do not name) is not there, and what the
  database's retention has deleted is gone;
* two scans of one unit in the same microsecond, which only a stepped clock can cause, are one;
* an alarm's value and set point stay there: its message names them.

Statistics are made by the database over windows of a fixed width, and put together here into the buckets that
were asked for (``daemon.journal.grid``), so that days and changes of the clocks are those of the journal.
"""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from types import TracebackType
from typing import Self

import numpy as np

from config.sinks import InfluxSink as InfluxSettings
from config.units import UnitContext
from daemon.credentials import CredentialError, read_secret
from daemon.database.flux import MICROSECONDS, Place, Question
from daemon.database.rows import QueryFailed, RowReader, micro_of
from daemon.journal.buckets import Bucket
from daemon.journal.columns import Column, resolve
from daemon.journal.errors import NotStored
from daemon.journal.grid import Grid
from daemon.journal.rows import Row
from daemon.journal.summaries import NOT_STORED, Summaries, combined, joined, of_scans, to_buckets
from daemon.model import Entry, EntryKind
from daemon.sinks.documents import Wording
from daemon.sinks.influx_connection import Answered, InfluxConnection, NoAnswer, Record

RECORDS = frozenset({EntryKind.ALARM, EntryKind.EVENT})
PAGE = 60_000
"""Cells that one question asks for, about: what is held in memory at a time."""
_SPAN = 30 * 86400 * MICROSECONDS
"""Time of one column that a question for statistics covers: the database reads every value in it."""
_PATIENCE = 60.0
"""A question may take longer than the writing of a batch [s]."""
_BLOCK = 2000
_FIRST_SPAN = 600 * MICROSECONDS


class DatabaseHistory:
    """A bucket opened for questions; a context manager. For one thread at a time.

    Parameters
    ----------
    settings : config.sinks.InfluxSink
        The sink that fills it; file names absolute.
    wording : Wording
        How that sink writes: name and units of the site, quantities of its own signals.
    context : UnitContext
        What gauge pressures and standard cubic feet are counted from at the site.
    now : float
        The present moment [POSIX s]: nothing later is asked for where no end is given.

    Raises
    ------
    QueryFailed
        The file with the token cannot be used.
    """

    damaged = 0
    """Rows passed over for being damaged: a database has none."""

    def __init__(self, settings: InfluxSettings, wording: Wording, context: UnitContext, now: float) -> None:
        settings = settings.model_copy(update={"timeout": max(settings.timeout, _PATIENCE)})
        self._settings = settings
        self._place = Place(settings.bucket, settings.measurement_prefix, wording.site)
        self._now = _micro(now) + MICROSECONDS
        self._reader = RowReader(settings.measurement_prefix, wording, context)
        self._known: dict[str, list[Column]] | None = None
        self._token_file = settings.read_token_file or settings.token_file
        try:
            self._connection = InfluxConnection(settings, read_secret(self._token_file))
        except CredentialError as error:
            raise QueryFailed(str(error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    @property
    def unreadable(self) -> list[str]:
        """What could not be read: nothing, a failed question raises."""
        return []

    # ------------------------------------------------------------------ what there is

    def units(self) -> list[str]:
        """Names of the units that have values there."""
        return sorted(self._columns())

    def columns(self, unit: str) -> list[Column]:
        """Every series that a unit has there: signals, then results, by name.

        Raises
        ------
        NotStored
            No such unit.
        """
        known = self._columns()
        if unit not in known:
            there = ", ".join(sorted(known)) or "none"
            raise NotStored(f"{self._settings.bucket} holds no values of a unit called {unit}; of: {there}")
        return known[unit]

    def resolve(self, unit: str, names: Sequence[str]) -> list[Column]:
        """Find columns by name: ``signal:x``, ``result:x``, or ``x`` for all of that name.

        Raises
        ------
        NotStored
            A name that the unit has not there; the message says which was probably meant.
        """
        return resolve(unit, names, self.columns(unit))

    def span(self, unit: str) -> tuple[float, float] | None:
        """Return the times of a unit's first and last scan there; ``None`` where there are none."""
        first, last = (self._edge(unit, 0, self._now, last=last) for last in (False, True))
        return None if first is None or last is None else (first / MICROSECONDS, last / MICROSECONDS)

    def _columns(self) -> Mapping[str, list[Column]]:
        if self._known is None:
            found: dict[str, set[Column]] = {}
            for row in self._ask(self._place.names(self._now)):
                found.setdefault(row.get("unit") or "", set()).add(self._reader.column(row))
            # Column sorts by kind and name; signals come first, as they do in the journal.
            order = {"signal": 0, "result": 1}
            self._known = {
                unit: sorted(columns, key=lambda column: (order[column.kind], column.name))
                for unit, columns in found.items()
            }
        return self._known

    def _edge(self, unit: str, start: int, end: int, *, last: bool) -> int | None:
        if start >= end:
            return None
        times = [micro_of(row) for row in self._ask(self._place.edge(unit, start, end, last=last))]
        return (max(times) if last else min(times)) if times else None

    # ------------------------------------------------------------------ values

    def values(self, unit: str, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
        """Yield every scan of a span, in the order of time."""
        low, stop, width = _micro(start), _micro(end), _FIRST_SPAN
        wanted = max(1, PAGE // (4 * (len(columns) + 1)))
        while low < stop:
            high = min(stop, low + width)
            rows = self._reader.scans(columns, self._ask(self._place.scans(unit, columns, low, high)))
            yield from rows
            if rows:
                width = round(width * min(4.0, max(0.25, wanted / len(rows))))
            else:
                # What is there is asked for, not felt for: a gap may be months long.
                high = self._edge(unit, high, stop, last=False) or stop
            low = high

    def buckets(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        width: float,
        *,
        zone: datetime.tzinfo = datetime.UTC,
    ) -> Iterator[Bucket]:
        """Yield statistics over time buckets of a span; only buckets that hold a scan.

        Parameters
        ----------
        unit : str
            Name of the unit.
        columns : sequence of Column
            What of it.
        start, end : float
            The span [POSIX s].
        width : float
            Width of a bucket [s].
        zone : tzinfo
            Whose midnights and full hours buckets of an hour and more follow.
        """
        grid = Grid(width, zone)
        step = _step(grid)
        parts = (
            self._statistics(unit, columns, start, end, step)
            if step
            else self._own_statistics(unit, columns, start, end)
        )
        waiting: Summaries | None = None  # the newest bucket may go on in what comes next
        for part in parts:
            rows = combined(joined([part] if waiting is None else [waiting, part], len(columns)), grid)
            yield from to_buckets(rows.rows(0, len(rows) - 1))
            waiting = rows.rows(len(rows) - 1, len(rows))
        if waiting is not None:
            yield from to_buckets(waiting)

    def _statistics(
        self, unit: str, columns: Sequence[Column], start: float, end: float, step: int
    ) -> Iterator[Summaries]:
        """Yield what the database works out for windows of a width [us], some at a time."""
        low, stop = _micro(start), _micro(end)
        page = step * max(1, min(PAGE // (7 * len(columns)), _SPAN // (step * len(columns))))
        while low < stop:
            high = min(stop, low // step * step + page)
            rows = list(self._ask(self._place.statistics(unit, columns, low, high, step)))
            if rows:
                yield self._reader.statistics(columns, rows)
            else:
                high = self._edge(unit, high, stop, last=False) or stop
            low = high

    def _own_statistics(
        self, unit: str, columns: Sequence[Column], start: float, end: float
    ) -> Iterator[Summaries]:
        """Yield every scan, for buckets that no fixed window fits."""
        scans = self.values(unit, columns, start, end)
        while rows := list(itertools.islice(scans, _BLOCK)):
            values = [
                [math.nan if each is None or each.value is None else each.value for each in row.samples]
                for row in rows
            ]
            codes = [
                [NOT_STORED if each is None else int(each.status) for each in row.samples] for row in rows
            ]
            times, order = (np.array([row[at] for row in rows]) for at in (1, 0))
            yield of_scans(times, order, np.array(values), np.array(codes))

    # ------------------------------------------------------------------ records

    def records(
        self,
        start: float,
        end: float,
        *,
        kinds: Collection[EntryKind] = RECORDS,
        unit: str | None = None,
    ) -> Iterator[Entry]:
        """Yield alarm transitions and events of a span, in the order of the journal."""
        question = self._place.records(_micro(start), _micro(end), kinds, unit)
        yield from sorted(map(self._reader.entry, self._ask(question)), key=lambda entry: entry.sequence)

    # ------------------------------------------------------------------

    def _ask(self, question: Question) -> Iterator[Record]:
        settings, url = self._settings, self._settings.url
        try:
            yield from self._connection.ask(question.text, question.values)
        except NoAnswer as silence:
            raise QueryFailed(
                f"no answer from {url} ({silence}); is the server up, and reachable from this box? Without "
                "--from-influx the question goes to the journal here"
            ) from silence
        except Answered as answer:
            match answer.status:
                case 401 | 403:
                    advice = (
                        f"does not take the token in {self._token_file}; it needs read permission for the "
                        f"bucket {settings.bucket}: read_token_file in the site file names one that has it"
                    )
                case 404:
                    advice = (
                        f"knows no bucket {settings.bucket} of an organization {settings.org}, or the token "
                        "may not read it, or the server takes writes only and answers no Flux"
                    )
                case 400:
                    advice = "does not understand the question; does the server answer Flux?"
                case 200:
                    advice = "broke off its answer"
                case _:
                    advice = "cannot answer now; try again, or ask for less"
            raise QueryFailed(f"{url} {advice} ({answer})") from answer


def _step(grid: Grid) -> int | None:
    """Return the width [us] of windows counted from 1970 of which every bucket consists; none may be."""
    widths = (3600.0, 60.0) if grid.follows_the_wall else (grid.width,)
    for width in widths:
        whole = round(width * MICROSECONDS)
        if grid.whole(width) and whole and math.isclose(whole, width * MICROSECONDS, rel_tol=1e-12):
            return whole
    return None


def _micro(time: float) -> int:
    return round(time * MICROSECONDS)
