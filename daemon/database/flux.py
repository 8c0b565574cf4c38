"""Questions to a time-series database as Flux; pure.

A question's text is made of fixed pieces and of names that it numbers itself. Whatever comes from outside
(site, unit, names, times, the bucket) stands beside it as values of its free names, which the database takes
as a syntax tree: nothing in them can become Flux.

Filters compare tags and fields with ``==`` only, joined by ``and`` and ``or``, and windows are of one fixed
width counted from 1970 UTC: the database works both off where the data lie instead of reading all of it. The
measurements are those of ``daemon.sinks.line_protocol``.
"""

from __future__ import annotations

import datetime
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from daemon.journal.columns import Column
from daemon.model import EntryKind

MICROSECONDS = 1_000_000
STATISTICS = {"total": "sum", "count": "count", "minimum": "min", "maximum": "max", "last": "last"}
"""Statistics of usable values by the name of their tables, and the Flux function that makes them."""
_EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
_SHOWN = '["_time", "_measurement", "_field", "_value", "unit", "name", "measured_in"]'


@dataclass(frozen=True, slots=True)
class Question:
    """A text in Flux and what its free names stand for."""

    text: str
    values: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the points of one site lie.

    ``prefix`` is the first part of the measurements' names, ``site`` the tag by which sites are told apart.
    Times are whole microseconds since 1970, as the points have them; a span includes its start and not its
    end.
    """

    bucket: str
    prefix: str
    site: str

    def names(self, now: int) -> Question:
        """Ask for the newest point of every series: which units and columns there are."""
        question = _Draft(self, 0, now)
        where = '(r._measurement == q_signal or r._measurement == q_result) and r._field == "status"'
        return question.done(question.stream(where, "last()"))

    def edge(self, unit: str, start: int, end: int, *, last: bool) -> Question:
        """Ask for the first or the last scan of a span."""
        question = _Draft(self, start, end, unit)
        return question.done(question.stream("r._measurement == q_state", "last()" if last else "first()"))

    def scans(self, unit: str, columns: Sequence[Column], start: int, end: int) -> Question:
        """Ask for every scan of a span with what it held of some columns."""
        question = _Draft(self, start, end, unit)
        where = f'(r._measurement == q_state or {question.any_of(columns)}) and r._field != "quality"'
        return question.done(question.stream(where))

    def statistics(self, unit: str, columns: Sequence[Column], start: int, end: int, width: int) -> Question:
        """Ask for statistics of columns over windows of a width [us].

        The answer has a set of tables for each of ``STATISTICS``, one called ``worst`` of the worst status,
        and one called ``scans`` of how many there are.
        """
        question = _Draft(self, start, end, unit)
        question.values["q_every"] = datetime.timedelta(microseconds=width)
        chosen = question.any_of(columns)

        def windows(where: str, function: str, name: str) -> str:
            windowed = (
                f'aggregateWindow(every: q_every, fn: {function}, createEmpty: false, timeSrc: "_start")'
            )
            return question.stream(where, windowed, name=name)

        parts = [
            windows(f'{chosen} and r._field == "value"', function, name)
            for name, function in STATISTICS.items()
        ]
        parts.append(windows(f'{chosen} and r._field == "status"', "max", "worst"))
        parts.append(windows("r._measurement == q_state", "count", "scans"))
        return question.done(*parts)

    def records(self, start: int, end: int, kinds: Collection[EntryKind], unit: str | None) -> Question:
        """Ask for alarm transitions and events, a row each with all its fields."""
        question = _Draft(self, start, end, unit)
        tests = {EntryKind.ALARM: "r._measurement == q_alarm", EntryKind.EVENT: "r._measurement == q_event"}
        where = " or ".join(tests[kind] for kind in sorted(kinds) if kind in tests)
        row = 'pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        return question.done(
            question.stream(f"({where})", row, 'drop(columns: ["_start", "_stop"])', keep="")
        )


class _Draft:
    """A question in the making: its values and the beginning that all its streams share."""

    def __init__(self, place: Place, start: int, end: int, unit: str | None = None) -> None:
        self.values: dict[str, object] = {
            "q_bucket": place.bucket,
            "q_site": place.site,
            "q_start": _EPOCH + datetime.timedelta(microseconds=start),
            "q_end": _EPOCH + datetime.timedelta(microseconds=end),
        }
        for kind in ("signal", "result", "state", "alarm", "event"):
            self.values[f"q_{kind}"] = f"{place.prefix}_{kind}"
        self._which = "r.site == q_site"
        if unit is not None:
            self.values["q_unit"] = unit
            self._which += " and r.unit == q_unit"

    def any_of(self, columns: Sequence[Column]) -> str:
        """Write the test for points of one of some columns."""
        tests = []
        for number, column in enumerate(columns):
            self.values[f"q_name{number}"] = column.name
            tests.append(f"(r._measurement == q_{column.kind} and r.name == q_name{number})")
        return f"({' or '.join(tests)})"

    def stream(self, where: str, *steps: str, keep: str = _SHOWN, name: str = "") -> str:
        """Write one stream of points from the bucket to the answer."""
        pieces = [
            "from(bucket: q_bucket)",
            "range(start: q_start, stop: q_end)",
            f"filter(fn: (r) => {self._which} and {where})",
            *steps,
        ]
        if keep:
            pieces.append(f"keep(columns: {keep})")
        if name:
            pieces.append(f'yield(name: "{name}")')
        return "\n  |> ".join(pieces)

    def done(self, *streams: str) -> Question:
        """Finish the question."""
        text = "\n\n".join(streams) + "\n"
        return Question(text, {name: value for name, value in self.values.items() if name in text})
