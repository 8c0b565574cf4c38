"""``tegwatch history``: stored values, aggregates, alarms and events, from the journal's file itself."""

from __future__ import annotations

import importlib.util
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TextIO

import typer

from daemon.cli.exits import FAILED, FINDINGS, USAGE, clear_failures, fail
from daemon.times import parse_duration, parse_time, show_time

if TYPE_CHECKING:
    from config.site import Site
    from daemon.history_output import HistorySource, Wording
    from daemon.journal.queries import Column, History


def history(
    source: Annotated[
        Path,
        typer.Argument(metavar="SITE|JOURNAL", help="Site file, or a journal file by itself (then in SI)."),
    ],
    unit: Annotated[
        str,
        typer.Argument(help="Dehydration unit; may be left out where there is only one and no names follow."),
    ] = "",
    names: Annotated[
        list[str] | None,
        typer.Argument(help="Signals or results; signal:NAME or result:NAME where a name is both."),
    ] = None,
    *,
    start: Annotated[
        str,
        typer.Option(
            "--from", help="ISO 8601 (without offset: the site's time zone), or back from now: -2h."
        ),
    ] = "-1h",
    end: Annotated[str, typer.Option("--to", help="As --from; this moment itself is not included.")] = "now",
    every: Annotated[
        str, typer.Option(help="Statistics over this time instead of every scan: 10s, 1min, 1h, 1d.")
    ] = "",
    form: Annotated[Literal["table", "csv", "json", "jsonl", "parquet"], typer.Option("--format")] = "table",
    output: Annotated[
        Path | None, typer.Option("--output", help="File to write to; needed for parquet.")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot", help="Draw the values into this file: .png, .svg or .pdf, with limits and alarms."
        ),
    ] = None,
    listing: Annotated[bool, typer.Option("--list", help="Show which units and names there are.")] = False,
    records: Annotated[
        bool, typer.Option("--records", help="Alarm transitions and events instead of values.")
    ] = False,
    verify: Annotated[bool, typer.Option("--verify", help="Check the whole journal file.")] = False,
    from_influx: Annotated[
        bool,
        typer.Option(
            "--from-influx", help="Ask the time-series database that an influx sink fills, not the journal."
        ),
    ] = False,
    sink: Annotated[
        str, typer.Option("--sink", help="Name of that sink, where the site file has more than one.")
    ] = "",
) -> None:
    """Show what was stored: values between two times, their statistics, alarms and events.

    Reads the journal's file, beside a running daemon or without one. Values carry the site's units and their
    quality; a bad value is empty. Statistics leave bad values out, and a time without scans has no row.
    Exit code 0: done; 1: the journal cannot be read; 2: the question is wrong; 3: the site file is wrong;
    6: done, but damaged rows were found.

    Statistics over an hour or more follow the clock of the site's time zone: 1d is from midnight to midnight.
    What is older than the site keeps every scan is there as statistics over whole minutes or hours.

    --from-influx asks the same of the database that the site's influx sink fills, for what is older than this
    box keeps or from another box; the token needs read permission (read_token_file of the sink).

    Example: tegwatch history site.toml north dew_point_margin reboiler_temperature --from -8h --every 5min
    """
    from daemon.database.rows import QueryFailed
    from daemon.journal.errors import JournalError

    with clear_failures():
        site, journal_path = _locate(source)
    wording = _wording(site, unit)
    now = time.time()
    try:
        since, until = (parse_time(text, now, wording.zone) for text in (start, end))
        width = parse_duration(every) if every else None
    except ValueError as error:
        fail(str(error), USAGE)
    if since >= until:
        shown = f"{show_time(since, wording.zone)} to {show_time(until, wording.zone)}"
        fail(f"the time asked for is empty ({shown}): --from must be before --to", USAGE)
    _check_files(form, output, plot, records=records)
    try:
        with _opened(source, site, journal_path, now, sink, from_influx=from_influx or bool(sink)) as stored:
            if verify:
                _verify(stored)
            elif listing:
                _list(stored, unit, wording, as_json=form in {"json", "jsonl"})
            else:
                question = _Question(
                    stored, unit, names or [], since, until, width, form, wording, output, site
                )
                count = question.answer(plot, records=records)
                if not count:
                    span = f"{show_time(since, wording.zone)} and {show_time(until, wording.zone)}"
                    print(f"nothing is stored between {span}", file=sys.stderr)
            wrong = stored.unreadable
            if stored.damaged:
                wrong.append(f"{stored.damaged} damaged rows were passed over; see --verify")
            if wrong:
                fail("\n".join(wrong), FINDINGS)
    except (JournalError, QueryFailed) as error:
        fail(str(error), FAILED)
    except OSError as error:
        fail(f"{error.filename or output or plot}: cannot be written: {error.strerror}", FAILED)


@dataclass(frozen=True, slots=True)
class _Question:
    stored: HistorySource
    unit: str
    names: list[str]
    since: float
    until: float
    width: float | None
    form: str
    wording: Wording
    output: Path | None
    site: Site | None

    def answer(self, plot: Path | None, *, records: bool) -> int:
        """Answer in the way that was asked for; return how many rows it had."""
        if plot is not None:
            return self.draw(plot)
        if self.form == "parquet":
            return self.write_parquet()
        show = self.show_records if records else self.show_values
        if self.output is None:
            return show(sys.stdout)
        with self.output.open("w", encoding="utf-8", newline="") as file:
            return show(file)

    def columns(self) -> tuple[str, list[Column]]:
        """Return the unit and what of it is asked for."""
        from daemon.journal.errors import JournalError

        unit = self.unit or _only_unit(self.stored)
        if not self.names and self.form == "table":
            fail(
                f"which values? tegwatch history ... {unit} NAME ...; --list shows the names there are", USAGE
            )
        try:
            return unit, self.stored.resolve(unit, self.names) if self.names else self.stored.columns(unit)
        except JournalError as error:
            fail(str(error), USAGE)

    def rows(self, unit: str, columns: list[Column]) -> tuple[Any, str]:
        """Return the answer row by row, and where a row says its time."""
        if self.width is None:
            return self.stored.values(unit, columns, self.since, self.until), "time"
        zone = self.wording.zone
        return self.stored.buckets(unit, columns, self.since, self.until, self.width, zone=zone), "start"

    def show_values(self, out: TextIO) -> int:
        """Write values as text."""
        from daemon.history_output import headers, write_values

        unit, columns = self.columns()
        with _progress(*self.rows(unit, columns), self.since, self.until, out) as shown:
            return write_values(shown, headers(columns, self.wording), self.form, self.wording, out, unit)

    def write_parquet(self) -> int:
        """Write values as a columnar file."""
        from daemon.history_export import write_parquet
        from daemon.history_output import headers

        assert self.output is not None  # noqa: S101 - seen to before
        unit, columns = self.columns()
        heads = headers(columns, self.wording)
        with _progress(*self.rows(unit, columns), self.since, self.until, None) as shown:
            return write_parquet(
                shown, heads, self.wording, self.output, unit, buckets=self.width is not None
            )

    def draw(self, path: Path) -> int:
        """Draw values."""
        from daemon.history_output import headers
        from daemon.history_plot import draw

        if importlib.util.find_spec("matplotlib") is None:
            fail("--plot needs matplotlib: install tegwatch with its plot extra", FAILED)
        unit, columns = self.columns()
        heads, span = headers(columns, self.wording), (self.since, self.until)
        return draw(path, self.stored, unit, heads, self.wording, span, self.width, self.site)

    def show_records(self, out: TextIO) -> int:
        """Write alarm transitions and events as text."""
        from daemon.history_output import write_records

        entries = self.stored.records(self.since, self.until, unit=self.unit or None)
        return write_records(entries, self.form, self.wording, out)


def _opened(
    source: Path, site: Site | None, journal: Path, now: float, sink: str, *, from_influx: bool
) -> HistorySource:
    """Open the journal, or the database that a sink fills."""
    if not from_influx:
        from daemon.journal.queries import History

        return History(journal)
    from config.loader import unit_context
    from config.sinks import InfluxSink
    from daemon.database.history import DatabaseHistory
    from daemon.wiring import absolute, wording_of

    if site is None:
        fail("--from-influx needs the site file: it says where the database is", USAGE)
    sinks = {each.name: each for each in site.sinks if isinstance(each, InfluxSink)}
    if not sinks:
        fail(f"{source} has no sink of kind influx, so there is no database to ask", USAGE)
    name = sink or (next(iter(sinks)) if len(sinks) == 1 else "")
    if name not in sinks:
        fail(f"which sink? --sink takes one of: {', '.join(sinks)}", USAGE)
    settings = absolute(sinks[name], source.resolve().parent)
    return DatabaseHistory(settings, wording_of(site), unit_context(site), now)


def _check_files(form: str, output: Path | None, plot: Path | None, *, records: bool) -> None:
    """Refuse what does not go together before anything is read."""
    if form == "parquet" and output is None:
        fail("--format parquet needs --output FILE", USAGE)
    if form == "parquet" and records:
        fail("records are written as table, csv, json or jsonl", USAGE)
    if plot is not None and (output is not None or records):
        fail("--plot draws values into its own file; leave --output and --records away", USAGE)
    if plot is not None and plot.suffix not in {".png", ".svg", ".pdf"}:
        fail(f"--plot {plot}: the ending says the format: .png, .svg or .pdf", USAGE)


def _locate(source: Path) -> tuple[Site | None, Path]:
    """Tell a site file from a journal by its first bytes; return the journal's path."""
    try:
        with source.open("rb") as file:
            is_journal = file.read(16) == b"SQLite format 3\x00"
    except OSError:
        is_journal = False  # the loader says in words what is wrong with the file
    if is_journal:
        return None, source
    from config.loader import load_site

    site = load_site(source)
    return site, source.resolve().parent / site.journal.path


def _wording(site: Site | None, unit: str) -> Wording:
    import datetime

    from daemon.history_output import Wording, site_wording

    return Wording(None, {}, datetime.UTC) if site is None else site_wording(site, unit)


def _only_unit(stored: HistorySource) -> str:
    units = stored.units()
    if len(units) != 1:
        fail(f"which unit? there are: {', '.join(units) or 'none yet'}", USAGE)
    return units[0]


def _list(stored: HistorySource, unit: str, wording: Wording, *, as_json: bool) -> None:
    import json

    from config.quantities import RESULT_KINDS, SIGNAL_KINDS
    from daemon.journal.queries import History

    facts = []
    for name in [unit] if unit else stored.units():
        columns, span = stored.columns(name), stored.span(name)
        facts.append(
            {
                "unit": name,
                "from": wording.time(span[0]) if span else None,
                "to": wording.time(span[1]) if span else None,
                "columns": [
                    {
                        "kind": column.kind,
                        "name": column.name,
                        "unit": wording.unit(column).symbol,
                        "description": kinds[column.name].description if column.name in kinds else "",
                    }
                    for column in columns
                    for kinds in ((SIGNAL_KINDS if column.kind == "signal" else RESULT_KINDS),)
                ],
            }
        )
    if as_json:
        print(json.dumps(facts, indent=2, ensure_ascii=False))
        return
    if isinstance(stored, History):
        print(_disk_use(stored))
    for each in facts:
        print(
            f"{each['unit']}: {each['from']} to {each['to']}"
            if each["from"]
            else f"{each['unit']}: no values"
        )
        listed: Any = each["columns"]
        width = max((len(column["name"]) for column in listed), default=0)
        for column in listed:
            text = f"  {column['kind']}  {column['name'].ljust(width)}  {column['unit'].ljust(9)}"
            print(f"{text}  {column['description']}".rstrip())


def _disk_use(stored: History) -> str:
    used = stored.disk_use
    sizes = {
        "journal": used.journal,
        "archive of scans": used.scans,
        "of minutes": used.minutes,
        "of hours": used.hours,
    }
    return "on the disk: " + ", ".join(f"{name} {size / 1e6:.1f} MB" for name, size in sizes.items() if size)


def _verify(stored: HistorySource) -> None:
    from daemon.journal.queries import History

    if not isinstance(stored, History):
        fail("--verify checks the journal; leave --from-influx away", USAGE)
    found = stored.verify()
    if found:
        fail("\n".join(found), FINDINGS)
    print(
        f"{stored.path}: nothing wrong (pages, check sums of all scans, chain of all records, archive files)"
    )


@contextmanager
def _progress(rows: Any, place: str, since: float, until: float, out: TextIO | None) -> Iterator[Any]:
    """Show a bar on standard error while a long answer goes into a file or a pipe."""
    if (out is not None and out.isatty()) or not sys.stderr.isatty():
        yield rows
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=until - since)

        def shown() -> Iterator[Any]:
            for count, row in enumerate(rows):
                if count % 500 == 0:
                    bar.update(task, completed=getattr(row, place) - since)
                yield row

        yield shown()
