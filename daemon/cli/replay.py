"""``tegwatch replay``: history through this or another configuration, side by side with what was recorded."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.console import standard_output
from daemon.cli.exits import FAILED, FINDINGS, USAGE, clear_failures, fail
from daemon.times import parse_time, show_time, zone_named

if TYPE_CHECKING:
    import datetime

    from config.site import Site
    from daemon.replay import Occurrence, Replay

_SHOWN = 40
_KEEP_VALUES = (
    "stored values taken as they are: the configurations differ in nothing that values rest on, and this is "
    "the version that made them"
)


def replay(
    site_file: Annotated[
        Path, typer.Argument(metavar="SITE", help="Site file whose journal holds the history.")
    ],
    *,
    start: Annotated[
        str,
        typer.Option(
            "--from", help="ISO 8601 (without offset: the site's time zone), or back from now: -7d."
        ),
    ] = "-7d",
    end: Annotated[str, typer.Option("--to", help="As --from; this moment itself is not included.")] = "now",
    config: Annotated[
        Path | None,
        typer.Option(help="Site file to try; default: SITE itself, which must reproduce history."),
    ] = None,
    unit: Annotated[str, typer.Option(help="One dehydration unit; default: every unit of the site.")] = "",
    everything: Annotated[
        bool, typer.Option("--all", help="List every occurrence, not only those that differ.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program.")] = False,
) -> None:
    """Show which alarms another configuration would have given, beside those that came.

    Takes the stored scans through the daemon's own evaluation: the tool for tuning limits, deadbands and
    delays on what really happened. Changes nothing, neither in the journal nor in a running daemon.
    Operators' requests are repeated at their times. Without --config the recorded alarms must come out
    again; after a change of the configuration they need not.
    Exit code 0: done; 1: the journal cannot be read; 2: the question is wrong; 3: a site file is wrong;
    6: without --config, and the alarms did not come out as recorded.

    Example: tegwatch replay site.toml --from -30d --config tuned.toml --unit north
    """
    from importlib.metadata import version

    from config.loader import load_site
    from daemon.journal.errors import JournalError, NotStored
    from daemon.journal.recording import Recording
    from daemon.replay import replay as run

    with clear_failures():
        site = load_site(site_file)
        tried = site if config is None else load_site(config)
    zone, now = zone_named(site.site.time_zone), time.time()
    try:
        begin, until = parse_time(start, now, zone), parse_time(end, now, zone)
    except ValueError as error:
        fail(str(error), USAGE)
    if begin >= until:
        fail("--from must be before --to", USAGE)
    names = [each.name for each in tried.units]
    if unit and unit not in names:
        fail(f"the configuration has no unit called {unit}; there are: {', '.join(names)}", USAGE)
    found: list[Replay] = []
    path = site_file.resolve().parent / site.journal.path
    for name in [unit] if unit else names:
        try:
            with Recording(path, name) as recording, _progress(name) as progress:
                program = version("tegwatch")
                found.append(run(recording, tried, begin, until, version=program, progress=progress))
        except NotStored as error:
            if unit:
                fail(str(error), FAILED)
            print(f"{name}: {error}", file=sys.stderr)
        except JournalError as error:
            fail(str(error), FAILED)
    if as_json:
        print(json.dumps([_facts(each, zone) for each in found], indent=2, ensure_ascii=False))
    else:
        for each in found:
            _show(each, tried, zone, same=config is None, everything=everything)
    if config is None and any(each.differences() for each in found):
        raise typer.Exit(FINDINGS)


@contextmanager
def _progress(unit: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on standard error where somebody sees it."""
    if not sys.stderr.isatty():
        yield lambda _done, _all: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(unit, total=None)
        yield lambda done, every: bar.update(task, completed=done, total=every)


def _sides(found: Replay) -> tuple[list[Occurrence], list[Occurrence]]:
    from daemon.replay import occurrences

    recorded = occurrences(found.recorded, found.begin, found.end)
    return recorded, occurrences(found.replayed, found.begin, found.end)


def _facts(found: Replay, zone: datetime.tzinfo) -> dict[str, Any]:
    from daemon.monitor.alarms.performance import performance, verdicts
    from daemon.replay import limitations, side_by_side

    def times(one: Occurrence | None) -> dict[str, Any] | None:
        if one is None:
            return None
        return {
            "begin": show_time(one.begin, zone),
            "end": show_time(one.end, zone) if one.ended else None,
            "duration": round(one.duration, 3),
            "priority": one.priority.value,
        }

    recorded, replayed = _sides(found)
    figures = {}
    for side, steps in (("recorded", found.recorded), ("replayed", found.replayed)):
        measured = performance(steps, found.begin, found.end)
        figures[side] = {
            "annunciations": measured.annunciations,
            "per_day": measured.per_day,
            "targets": [asdict(verdict) for verdict in verdicts(measured)],
            "floods": [asdict(flood) for flood in measured.floods],
            "chattering": [alarm for _, alarm in measured.chattering],
            "fleeting": {alarm: count for (_, alarm), count in measured.fleeting.items()},
            "stale": {alarm: round(longest, 3) for (_, alarm), longest in measured.stale.items()},
            "top": [{"alarm": alarm, "annunciations": count} for (_, alarm), count in measured.top],
        }
    return {
        "unit": found.unit,
        "from": show_time(found.begin, zone),
        "to": show_time(found.end, zone),
        "scans": found.scans,
        "restarts": found.restarts,
        "values": "as stored" if found.kept_values else "calculated anew",
        "differing_transitions": found.differences(),
        "limitations": limitations(found),
        "performance": figures,
        "occurrences": [
            {"alarm": pair.alarm, "recorded": times(pair.recorded), "replayed": times(pair.replayed)}
            for pair in side_by_side(recorded, replayed)
        ],
    }


def _show(found: Replay, site: Site, zone: datetime.tzinfo, *, same: bool, everything: bool) -> None:
    from importlib.metadata import version

    from config.loader import configuration_hash
    from daemon.replay import limitations

    console = standard_output()
    span = f"{show_time(found.begin, zone)} to {show_time(found.end, zone)}"
    console.print(f"\n[bold]{found.unit}[/bold]  {span}, {found.scans} scans, {found.restarts} restarts")
    console.print("values calculated anew from stored readings" if not found.kept_values else _KEEP_VALUES)
    unknown = limitations(found)
    if unknown:
        console.print("What a replay cannot know here:")
    for text in unknown:
        console.print(f"- {text}", markup=False)
    for text in _conclusion(found, configuration_hash(site), version("tegwatch"), zone, same=same):
        console.print(text, markup=False)
    _show_figures(console, found)
    _show_alarms(console, found, site)
    _show_occurrences(console, found, zone, everything=everything)


def _conclusion(
    found: Replay, configuration: str, program: str, zone: datetime.tzinfo, *, same: bool
) -> Iterator[str]:
    """Say what was reproduced, what was not, and why that is as far as it can be told."""
    from daemon.replay import limitations

    (recorded, replayed), differing = found.counts(), found.differences()
    if not same:
        alike = max(recorded, replayed) - differing
        yield (
            f"Another configuration: {recorded} transitions were recorded, {replayed} came out; {alike} of "
            "them are the same."
        )
        return
    causes = " Likely causes were not compared: stored values do not tell them." if found.kept_values else ""
    if not differing:
        yield (
            f"Reproduced: all {recorded} recorded transitions came out again, in their order, with the "
            f"same times, states and words.{causes}"
        )
        return
    yield (
        f"Not reproduced: {recorded} transitions were recorded, {replayed} came out; {differing} are "
        "missing, new or otherwise."
    )
    others = [one for one in found.under if one.configuration != configuration]
    if others:
        yield f"The whole span was replayed under the present configuration {configuration}."
        for one in others:
            since = show_time(one.time, zone)
            yield f"- from {since} it was recorded under configuration {one.configuration}"
        yield (
            "What came before the last change need not come out the same. Replay from after it, or take the "
            "former text (tegwatch configurations list) with --config."
        )
    elif older := sorted({one.version for one in found.under if one.version != program}):
        yield f"It was recorded by version {', '.join(older)} of the program; this is {program}."
    elif not limitations(found):
        yield "Configuration and version are those of the record: a defect of the program; report it."


def _show_figures(console: Any, found: Replay) -> None:
    from rich.table import Table

    from daemon.monitor.alarms.performance import performance, verdicts

    table = Table(title="Performance, against ISA-18.2", title_justify="left", box=None, pad_edge=False)
    for heading in ("figure", "target"):
        table.add_column(heading)
    for heading in ("recorded", "replayed"):
        table.add_column(heading, justify="right")
    table.add_column("replayed is")
    sides = [performance(steps, found.begin, found.end) for steps in (found.recorded, found.replayed)]
    for one, other in zip(*(verdicts(side) for side in sides), strict=True):
        table.add_row(one.figure, one.target, f"{one.value:.3g}", f"{other.value:.3g}", other.judgement.value)
    table.add_row("floods", "none", *(str(len(side.floods)) for side in sides), "")
    console.print()
    console.print(table)
    if not sides[0].long_enough:
        console.print("The standard judges at least 30 days; a shorter span shows a tendency only.")


def _show_alarms(console: Any, found: Replay, site: Site) -> None:
    from rich.table import Table

    from config.alarm_set import resolve_alarms

    unit = next(each for each in site.units if each.name == found.unit)
    titles = {alarm.id: alarm.title for alarm in resolve_alarms(site, unit).alarms}
    sides = _sides(found)
    table = Table(title="\nAlarms", title_justify="left", box=None, pad_edge=False)
    table.add_column("alarm")
    for side in ("recorded", "replayed"):
        table.add_column(side, justify="right")
        table.add_column("lasted", justify="right")
    table.add_column("title")
    for name in sorted({one.alarm for side in sides for one in side}):
        cells = []
        for shown in sides:
            own = [one.duration for one in shown if one.alarm == name]
            cells += [str(len(own)), _lasted(sum(own)) if own else "-"]
        mark = "" if cells[:2] == cells[2:] else "bold"
        table.add_row(name, *cells, titles.get(name, "not in this configuration"), style=mark)
    console.print(table if table.row_count else "\nno alarm on either side")


def _show_occurrences(console: Any, found: Replay, zone: datetime.tzinfo, *, everything: bool) -> None:
    from rich.table import Table

    from daemon.replay import side_by_side

    pairs = side_by_side(*_sides(found))
    if not everything:
        pairs = [
            pair
            for pair in pairs
            if pair.recorded is None
            or pair.replayed is None
            or (pair.recorded.begin, pair.recorded.end) != (pair.replayed.begin, pair.replayed.end)
        ]
    if not pairs:
        console.print("\nno occurrence differs")
        return
    title = "\nEvery occurrence" if everything else "\nOccurrences that differ"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    table.add_column("alarm")
    for side in ("recorded", "replayed"):
        table.add_column(f"{side} from")
        table.add_column("lasted", justify="right")
    for pair in pairs if everything else pairs[:_SHOWN]:
        cells = []
        for one in (pair.recorded, pair.replayed):
            going = "" if one is None or one.ended else " and on"
            cells += ["-", ""] if one is None else [show_time(one.begin, zone), _lasted(one.duration) + going]
        table.add_row(pair.alarm, *cells)
    console.print(table)
    if not everything and len(pairs) > _SHOWN:
        console.print(f"and {len(pairs) - _SHOWN} more; --all or --json shows them")


def _lasted(seconds: float) -> str:
    if seconds < 120.0:
        return f"{seconds:.1f} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.1f} min"
    return f"{seconds / 3600.0:.1f} h"
