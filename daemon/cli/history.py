"""``tegwatch history``: stored values, aggregates, alarms and events, from the journal's file itself."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from daemon.cli.exits import FAILED, FINDINGS, USAGE, clear_failures, fail
from daemon.times import parse_duration, parse_time, show_time

if TYPE_CHECKING:
    from config.site import Site
    from daemon.history_output import Wording
    from daemon.journal.queries import History


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
    form: Annotated[Literal["table", "csv", "json", "jsonl"], typer.Option("--format")] = "table",
    listing: Annotated[bool, typer.Option("--list", help="Show which units and names there are.")] = False,
    records: Annotated[
        bool, typer.Option("--records", help="Alarm transitions and events instead of values.")
    ] = False,
    verify: Annotated[bool, typer.Option("--verify", help="Check the whole journal file.")] = False,
) -> None:
    """Show what was stored: values between two times, their statistics, alarms and events.

    Reads the journal's file, beside a running daemon or without one. Values carry the site's units and their
    quality; a bad value is empty. Statistics leave bad values out, and a time without scans has no row.
    Exit code 0: done; 1: the journal cannot be read; 2: the question is wrong; 3: the site file is wrong;
    6: done, but damaged rows were found.

    Example: tegwatch history site.toml north dew_point_margin reboiler_temperature --from -8h --every 5min
    """
    from daemon.journal.errors import JournalError
    from daemon.journal.queries import History

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
    try:
        with History(journal_path) as stored:
            if verify:
                _verify(stored)
            elif listing:
                _list(stored, unit, wording, as_json=form in {"json", "jsonl"})
            else:
                question = _Question(stored, unit, names or [], since, until, width, form, wording)
                count = question.show_records() if records else question.show_values()
                if not count:
                    span = f"{show_time(since, wording.zone)} and {show_time(until, wording.zone)}"
                    print(f"nothing is stored between {span}", file=sys.stderr)
            if stored.damaged:
                fail(f"{stored.damaged} damaged rows were passed over; see --verify", FINDINGS)
    except JournalError as error:
        fail(str(error), FAILED)


@dataclass(frozen=True, slots=True)
class _Question:
    stored: History
    unit: str
    names: list[str]
    since: float
    until: float
    width: float | None
    form: str
    wording: Wording

    def show_values(self) -> int:
        from daemon.history_output import headers, write_values
        from daemon.journal.errors import JournalError

        unit = self.unit or _only_unit(self.stored)
        if not self.names and self.form == "table":
            fail(
                f"which values? tegwatch history ... {unit} NAME ...; --list shows the names there are", USAGE
            )
        try:
            columns = self.stored.resolve(unit, self.names) if self.names else self.stored.columns(unit)
        except JournalError as error:
            fail(str(error), USAGE)
        if self.width is None:
            rows: Any = self.stored.values(unit, columns, self.since, self.until)
            place = "time"
        else:
            rows = self.stored.buckets(unit, columns, self.since, self.until, self.width)
            place = "start"
        with _progress(rows, self.since, self.until, place) as shown:
            return write_values(
                shown, headers(columns, self.wording), self.form, self.wording, sys.stdout, unit
            )

    def show_records(self) -> int:
        from daemon.history_output import write_records

        entries = self.stored.records(self.since, self.until, unit=self.unit or None)
        return write_records(entries, self.form, self.wording, sys.stdout)


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


def _only_unit(stored: History) -> str:
    units = stored.units()
    if len(units) != 1:
        fail(f"which unit? there are: {', '.join(units) or 'none yet'}", USAGE)
    return units[0]


def _list(stored: History, unit: str, wording: Wording, *, as_json: bool) -> None:
    import json

    from config.quantities import RESULT_KINDS, SIGNAL_KINDS

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


def _verify(stored: History) -> None:
    found = stored.verify()
    if found:
        fail("\n".join(found), FINDINGS)
    print(f"{stored.path}: nothing wrong (pages, check sums of all scans, chain of all records)")


@contextmanager
def _progress(rows: Any, since: float, until: float, place: str) -> Iterator[Any]:
    """Show a bar on standard error while a long answer goes into a file or a pipe."""
    if sys.stdout.isatty() or not sys.stderr.isatty():
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
