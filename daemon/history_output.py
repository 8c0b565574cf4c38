"""How stored values are written, by commands and by the API: table, CSV, JSON, JSON Lines; row by row."""

from __future__ import annotations

import csv
import datetime
import json
import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Protocol, Self, TextIO

from config.loader import unit_context
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.site import Site
from config.units import Conversion, DisplayUnit, display_units
from daemon.journal.buckets import Bucket, Statistics
from daemon.journal.columns import SI_SYMBOLS, Column
from daemon.journal.rows import Row, Sample
from daemon.model import AlarmTransition, Entry, EntryKind, Quality
from daemon.times import show_time, zone_named

FORMATS = ("table", "csv", "json", "jsonl")
_NO_UNIT = DisplayUnit("", Conversion(1.0), 4)


class HistorySource(Protocol):
    """Whatever answers questions about the history; ``daemon.journal.queries`` says what they mean."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    @property
    def damaged(self) -> int:
        """Rows that were passed over."""
        ...

    @property
    def unreadable(self) -> list[str]:
        """What could not be read at all."""
        ...

    def units(self) -> list[str]:
        """Names of the units that have stored values."""
        ...

    def columns(self, unit: str) -> list[Column]:
        """Every series of a unit."""
        ...

    def resolve(self, unit: str, names: Sequence[str]) -> list[Column]:
        """Find columns by name."""
        ...

    def span(self, unit: str) -> tuple[float, float] | None:
        """Return the times of a unit's earliest and latest values."""
        ...

    def values(self, unit: str, columns: Sequence[Column], start: float, end: float) -> Iterator[Row]:
        """Yield every scan of a span."""
        ...

    def buckets(
        self,
        unit: str,
        columns: Sequence[Column],
        start: float,
        end: float,
        width: float,
        *,
        zone: datetime.tzinfo = ...,
    ) -> Iterator[Bucket]:
        """Yield statistics over time buckets of a span."""
        ...

    def records(
        self, start: float, end: float, *, kinds: Collection[EntryKind] = ..., unit: str | None = None
    ) -> Iterator[Entry]:
        """Yield alarm transitions and events of a span."""
        ...


@dataclass(frozen=True, slots=True)
class Wording:
    """How values are shown: units by quantity, quantities of a site's own signals, time zone.

    ``units`` is ``None`` where no site is known: values are then shown as stored, in SI.
    """

    units: Mapping[Quantity, DisplayUnit] | None
    own_quantities: Mapping[str, Quantity]
    zone: datetime.tzinfo

    def unit(self, column: Column) -> DisplayUnit:
        """Return how a column is shown."""
        kinds = SIGNAL_KINDS if column.kind == "signal" else RESULT_KINDS
        quantity = kinds[column.name].quantity if column.name in kinds else None
        if column.kind == "signal":
            quantity = self.own_quantities.get(column.name, quantity)
        if quantity is None:
            return _NO_UNIT
        if self.units is None:
            return DisplayUnit(SI_SYMBOLS.get(quantity, ""), Conversion(1.0), 6)
        return self.units[quantity]

    def time(self, time: float) -> str:
        """Write a moment in the site's time zone with its offset."""
        return show_time(time, self.zone)


def site_wording(site: Site, unit: str = "") -> Wording:
    """Return how a site shows its values; with a unit, only this unit's own signals are known."""
    own = {
        name: signal.quantity
        for each in site.units
        if not unit or each.name == unit
        for name, signal in each.signals.items()
        if signal.quantity is not None
    }
    units = display_units(site.site.unit_system, unit_context(site))
    return Wording(units, own, zone_named(site.site.time_zone))


@dataclass(frozen=True, slots=True)
class Header:
    """One asked column with everything its cells need."""

    column: Column
    label: str
    unit: DisplayUnit

    @property
    def titled(self) -> str:
        """Label with unit."""
        return f"{self.label} [{self.unit.symbol}]" if self.unit.symbol else self.label


def headers(columns: Iterable[Column], wording: Wording) -> list[Header]:
    """Give columns their labels; a name that is both measured and calculated says which it is."""
    listed = list(columns)
    names = [column.name for column in listed]
    words = {"signal": "measured", "result": "calculated"}
    return [
        Header(
            column,
            column.name if names.count(column.name) == 1 else f"{column.name} ({words[column.kind]})",
            wording.unit(column),
        )
        for column in listed
    ]


def number(value: float | None, unit: DisplayUnit) -> float | None:
    """Convert an SI value to a number for a program; ten digits, more than any instrument has."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{unit.conversion.from_si(value):.10g}")


def spread(value: float | None, unit: DisplayUnit) -> float | None:
    """Convert an SI difference to a number for a program; four digits."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value / abs(unit.conversion.factor):.4g}")


def _text(value: float | None, unit: DisplayUnit) -> str:
    return "" if value is None else unit.format(value, with_symbol=False)


# ------------------------------------------------------------------ cells of one column, by form of question

SAMPLE_TITLES = ("", "uncertainty", "quality")
BUCKET_TITLES = ("mean", "minimum", "maximum", "last", "count", "quality")


def _sample_facts(sample: Sample | None, unit: DisplayUnit) -> dict[str, Any] | None:
    if sample is None:
        return None
    facts: dict[str, Any] = {"value": number(sample.value, unit), "quality": sample.quality.name.lower()}
    if sample.uncertainty is not None:
        facts["uncertainty"] = spread(sample.uncertainty, unit)
    if sample.quality is not Quality.GOOD:
        facts |= {"status": sample.status.opc_ua_name, "reason": sample.reason}
    return facts


def _bucket_facts(stats: Statistics | None, unit: DisplayUnit) -> dict[str, Any] | None:
    if stats is None:
        return None
    return {
        "mean": number(stats.mean, unit),
        "minimum": number(stats.minimum, unit),
        "maximum": number(stats.maximum, unit),
        "last": number(stats.last, unit),
        "count": stats.count,
        "quality": stats.worst.name.lower(),
    }


def _table_cell(item: Sample | Statistics | None, unit: DisplayUnit) -> tuple[str, str]:
    """Value and quality for people; good quality needs no word."""
    if item is None:
        return "", "not stored"
    if isinstance(item, Statistics):
        return _text(item.mean, unit), "" if item.worst is Quality.GOOD else item.worst.name.lower()
    mark = "" if item.quality is Quality.GOOD else item.status.opc_ua_name
    return _text(item.value, unit), mark


def _csv_cells(item: Sample | Statistics | None, unit: DisplayUnit, *, buckets: bool) -> list[Any]:
    if item is None:
        return [""] * (len(BUCKET_TITLES if buckets else SAMPLE_TITLES) - 1) + ["not stored"]
    if isinstance(item, Statistics):
        facts = _bucket_facts(item, unit)
        assert facts is not None  # noqa: S101 - for the type checker
        return ["" if facts[title] is None else facts[title] for title in BUCKET_TITLES]
    value, uncertainty = number(item.value, unit), spread(item.uncertainty, unit)
    return [
        "" if value is None else value,
        "" if uncertainty is None else uncertainty,
        item.status.opc_ua_name,
    ]


# ------------------------------------------------------------------ writers


def write_values(
    rows: Iterator[Row] | Iterator[Bucket],
    heads: list[Header],
    form: str,
    wording: Wording,
    out: TextIO,
    unit: str,
    unreadable: Callable[[], Sequence[str]] = tuple,
) -> int:
    """Write rows or buckets as they come; return how many.

    Parameters
    ----------
    rows : iterator
        ``Row`` or ``Bucket``, all of one kind.
    heads : list of Header
        The columns.
    form : str
        One of ``FORMATS``.
    wording : Wording
        Units and time zone.
    out : file
        Where to.
    unit : str
        Name of the dehydration unit.
    unreadable : callable
        Returns, after the last row, in words what could not be read: it goes to the end of the answer, for
        readers that are told nothing beside it.
    """
    if form == "table":
        return _write_table(rows, heads, wording, out)
    if form != "csv":
        return _write_json(rows, heads, wording, out, unit, unreadable, lines=form == "jsonl")
    count = _write_csv(rows, heads, wording, out)
    csv.writer(out, lineterminator="\n").writerows(("unreadable", text) for text in unreadable())
    return count


def _cells(row: Row | Bucket) -> tuple[float, tuple[Sample | Statistics | None, ...]]:
    return (row.start, row.statistics) if isinstance(row, Bucket) else (row.time, row.samples)


def _write_table(
    rows: Iterator[Row] | Iterator[Bucket], heads: list[Header], wording: Wording, out: TextIO
) -> int:
    widths = [max(len(head.titled), 9) for head in heads]
    count = 0
    for row in rows:
        time, items = _cells(row)
        text = wording.time(time)
        if count == 0:
            line = ["time".ljust(len(text))]
            for head, width in zip(heads, widths, strict=True):
                line += [head.titled.rjust(width), "quality".ljust(12)]
            print("  ".join(line).rstrip(), file=out)
        line = [text]
        for item, head, width in zip(items, heads, widths, strict=True):
            value, mark = _table_cell(item, head.unit)
            line += [value.rjust(width), mark.ljust(12)]
        print("  ".join(line).rstrip(), file=out)
        count += 1
    return count


def _write_csv(
    rows: Iterator[Row] | Iterator[Bucket], heads: list[Header], wording: Wording, out: TextIO
) -> int:
    writer = csv.writer(out, lineterminator="\n")
    count = 0
    for row in rows:
        time, items = _cells(row)
        buckets = isinstance(row, Bucket)
        if count == 0:
            titles = ["time", "state"] if not buckets else ["time", "scans"]
            for head in heads:
                symbol = f" [{head.unit.symbol}]" if head.unit.symbol else ""
                for title in BUCKET_TITLES if buckets else SAMPLE_TITLES:
                    has_unit = title not in {"quality", "count"}
                    titles.append(f"{head.label} {title}".rstrip() + (symbol if has_unit else ""))
            writer.writerow(titles)
        line: list[Any] = [wording.time(time), row.scans if isinstance(row, Bucket) else row.state.value]
        for item, head in zip(items, heads, strict=True):
            line += _csv_cells(item, head.unit, buckets=buckets)
        writer.writerow(line)
        count += 1
    return count


def _write_json(
    rows: Iterator[Row] | Iterator[Bucket],
    heads: list[Header],
    wording: Wording,
    out: TextIO,
    unit: str,
    unreadable: Callable[[], Sequence[str]],
    *,
    lines: bool,
) -> int:
    described = {
        str(head.column): {"kind": head.column.kind, "name": head.column.name, "unit": head.unit.symbol}
        for head in heads
    }
    if not lines:
        start = json.dumps({"unit": unit, "columns": described}, ensure_ascii=False)
        out.write(start[:-1] + ', "rows": [')
    count = 0
    for row in rows:
        time, items = _cells(row)
        facts: dict[str, Any] = {"time": wording.time(time)}
        if isinstance(row, Bucket):
            facts["scans"] = row.scans
        else:
            facts |= {"sequence": row.sequence, "state": row.state.value}
        facts["values"] = {}
        for item, head in zip(items, heads, strict=True):
            if isinstance(item, Statistics):
                cell = _bucket_facts(item, head.unit)
            else:
                cell = _sample_facts(item, head.unit)
            if cell is not None and lines:
                cell["unit"] = head.unit.symbol
            facts["values"][str(head.column)] = cell
        if lines:
            facts = {"unit": unit} | facts
        out.write(("" if lines or count == 0 else ",") + ("" if lines else "\n"))
        out.write(json.dumps(facts, ensure_ascii=False) + ("\n" if lines else ""))
        count += 1
    missing = {"unreadable": list(found)} if (found := unreadable()) else {}
    if not lines:
        out.write("\n]" + "".join(f', "{key}": {json.dumps(text)}' for key, text in missing.items()) + "}\n")
    elif missing:
        out.write(json.dumps(missing, ensure_ascii=False) + "\n")
    return count


def write_records(entries: Iterator[Entry], form: str, wording: Wording, out: TextIO) -> int:
    """Write alarm transitions and events as they come; return how many."""
    writer = csv.writer(out, lineterminator="\n")
    titles = ("time", "sequence", "unit", "type", "name", "change", "priority", "actor", "message", "reason")
    count = 0
    if form == "json":
        out.write("[")
    for entry in entries:
        facts = dict(zip(titles, _record_facts(entry, wording), strict=True))
        if form == "csv":
            if count == 0:
                writer.writerow(titles)
            writer.writerow(facts.values())
        elif form == "table":
            who = f" by {facts['actor']}" if facts["actor"] else ""
            line = f"{facts['time']}  {facts['unit']}  {facts['name']}  {facts['change']}{who}".rstrip()
            print(f"{line}  {facts['message']}", file=out)
        else:
            out.write(("," if count and form == "json" else "") + ("\n" if form == "json" else ""))
            out.write(json.dumps(facts, ensure_ascii=False) + ("\n" if form == "jsonl" else ""))
        count += 1
    if form == "json":
        out.write("\n]\n")
    return count


def _record_facts(entry: Entry, wording: Wording) -> tuple[Any, ...]:
    body, time = entry.body, wording.time(entry.time)
    if isinstance(body, AlarmTransition):
        change = f"{body.previous.value} -> {body.state.value} ({body.event})"
        return (
            time, entry.sequence, entry.unit, "alarm", body.alarm, change, body.priority.value, body.actor,
            body.message, body.reason,
        )  # fmt: skip
    kind, message = getattr(body, "kind", ""), getattr(body, "message", "")
    return (time, entry.sequence, entry.unit, "event", kind, "", "", "", message, "")
