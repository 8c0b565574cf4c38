"""What the rows of a database's answer mean: scans, statistics, alarms and events in SI; pure."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from config.quantities import RESULT_KINDS, Quantity
from config.units import UNIT_SYSTEMS, Conversion, UnitContext, display_units
from daemon.database.flux import MICROSECONDS
from daemon.journal.columns import Column
from daemon.journal.rows import Row, Sample
from daemon.journal.summaries import NOT_STORED, Summaries
from daemon.model import AlarmState, AlarmTransition, Entry, Event, OperatingState, Priority, Status
from daemon.sinks.documents import Wording
from daemon.sinks.influx_connection import Record

_EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
_MICROSECOND = datetime.timedelta(microseconds=1)


class QueryFailed(Exception):  # noqa: N818 - says what happened
    """The database did not answer the question, or nothing that can be read; the message says what to do."""


@contextmanager
def _understood() -> Iterator[None]:
    try:
        yield
    except (KeyError, TypeError, ValueError) as error:
        raise QueryFailed(
            f"the answer holds points that this version cannot read ({error!r}); were they written by a "
            "newer one, or by another program?"
        ) from error


class RowReader:
    """Reads rows that ``daemon.sinks.line_protocol`` has once written; raises ``QueryFailed`` for others.

    Parameters
    ----------
    prefix : str
        First part of every measurement's name.
    wording : Wording
        Quantities of the site's own signals.
    context : UnitContext
        What gauge pressures and standard cubic feet are counted from at the site.
    """

    def __init__(self, prefix: str, wording: Wording, context: UnitContext) -> None:
        self._prefix, self._wording = prefix, wording
        self._systems = [display_units(system, context) for system in UNIT_SYSTEMS]
        self._conversions: dict[tuple[Column, str], Conversion] = {}

    def column(self, row: Record) -> Column:
        """Return the column that a row of a signal or result belongs to."""
        measured = row["_measurement"] == f"{self._prefix}_signal"
        return Column("signal" if measured else "result", row["name"])

    @_understood()
    def scans(self, columns: Sequence[Column], rows: Iterable[Record]) -> list[Row]:
        """Put scans together from their fields, in the order of time."""
        scans: dict[int, dict[str, Any]] = {}
        cells: list[dict[int, dict[str, Any]]] = [{} for _ in columns]
        places = {column: place for place, column in enumerate(columns)}
        for row in rows:
            time, field, value = micro_of(row), row["_field"], row["_value"]
            scan = scans.setdefault(time, {})
            if row["_measurement"] == f"{self._prefix}_state":
                scan[field] = value
            else:
                cell = cells[places[self.column(row)]].setdefault(time, {})
                cell[field] = value
                cell["measured_in"] = row.get("measured_in") or ""
        found = []
        for time, scan in scans.items():
            samples = tuple(
                self._sample(column, held[time], time / MICROSECONDS) if time in held else None
                for column, held in zip(columns, cells, strict=True)
            )
            state = OperatingState(scan.get("state", OperatingState.UNKNOWN))
            found.append(Row(scan.get("sequence", 0), time / MICROSECONDS, state, samples))
        return sorted(found, key=lambda row: (row.time, row.sequence))

    def _sample(self, column: Column, fields: Mapping[str, Any], time: float) -> Sample:
        conversion = self._conversion(column, fields["measured_in"])
        value, spread = fields.get("value"), fields.get("uncertainty")
        return Sample(
            None if value is None else conversion.to_si(value),
            None if spread is None else spread * abs(conversion.factor),
            Status(fields["status"]),
            fields.get("reason") or "",
            time - fields.get("age", 0.0),
        )

    @_understood()
    def statistics(self, columns: Sequence[Column], rows: Sequence[Record]) -> Summaries:
        """Put statistics of windows together; a window's time is its start, or that of the span."""
        times = sorted({micro_of(row) for row in rows})
        at = {time: place for place, time in enumerate(times)}
        places = {column: place for place, column in enumerate(columns)}
        shape = (len(times), len(columns))
        scans = np.zeros(len(times), np.int64)
        count, worst = np.zeros(shape, np.int64), np.full(shape, NOT_STORED, np.int64)
        total = np.zeros(shape)
        minimum, maximum, last = (np.full(shape, np.nan) for _ in range(3))
        for row in rows:
            kind, moment, value = row["result"], at[micro_of(row)], row["_value"]
            if kind == "scans":
                scans[moment] = max(scans[moment], value)  # of two fields, one of which old points lack
                continue
            column = self.column(row)
            cell, conversion = (
                (moment, places[column]),
                self._conversion(column, row.get("measured_in") or ""),
            )
            # A series begins anew where a site changes its units: two can then share a window.
            if kind == "worst":
                worst[cell] = max(worst[cell], value)
            elif kind == "count":
                count[cell] += value
                total[cell] += value * conversion.offset
            elif kind == "total":
                total[cell] += value * conversion.factor
            elif kind == "minimum":
                minimum[cell] = np.fmin(minimum[cell], conversion.to_si(value))
            elif kind == "maximum":
                maximum[cell] = np.fmax(maximum[cell], conversion.to_si(value))
            else:
                last[cell] = conversion.to_si(value)
        order = np.zeros(len(times), np.int64)
        moments = np.array(times) / MICROSECONDS
        return Summaries(moments, order, scans, count, total, minimum, maximum, last, worst)

    @_understood()
    def entry(self, row: Record) -> Entry:
        """Make an entry of a row with all the fields of an alarm transition or event."""
        unit, time = row.get("unit") or "", micro_of(row) / MICROSECONDS
        text = {name: value or "" for name, value in row.items()}
        if row["_measurement"] != f"{self._prefix}_alarm":
            event = Event(unit, text["kind"], time, text["message"], json.loads(text["data"] or "{}"))
            return Entry(row["sequence"], unit, time, event)
        transition = AlarmTransition(
            unit=unit,
            alarm=text["alarm"],
            occurrence=text["occurrence"],
            previous=AlarmState(text["previous"]),
            state=AlarmState(text["state"]),
            event=text["event"],
            time=time,
            priority=Priority(text["priority"]),
            message=text["message"],
            reason=text["reason"],
            actor=text["actor"],
            comment=text["comment"],
            first_out=bool(row["first_out"]),
            alarm_class=text.get("class", ""),
        )
        return Entry(row["sequence"], unit, time, transition)

    def _conversion(self, column: Column, symbol: str) -> Conversion:
        """Return how values of a column in a unit become SI; no unit is SI, or a number without any."""
        found = self._conversions.get((column, symbol))
        if found is None:
            found = self._conversions[column, symbol] = self._find_conversion(column, symbol)
        return found

    def _find_conversion(self, column: Column, symbol: str) -> Conversion:
        if not symbol:
            return Conversion(1.0)
        if column.kind == "signal":
            quantity = self._wording.quantity_of(column.name)
        else:
            quantity = RESULT_KINDS[column.name].quantity if column.name in RESULT_KINDS else ""
        for units in self._systems if quantity else ():
            if units[Quantity(quantity)].symbol == symbol:
                return units[Quantity(quantity)].conversion
        raise QueryFailed(
            f"{column.name} stands there in {symbol}, which this site file has no "
            f"{quantity or 'quantity'} for; ask with the site file that the sink was run with"
        )


def micro_of(row: Record) -> int:
    """Return the time of a row in whole microseconds since 1970."""
    since: datetime.timedelta = row["_time"] - _EPOCH
    return since // _MICROSECOND
