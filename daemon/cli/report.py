"""``tegwatch report``: one unit over a stretch of time, as an HTML file that prints, or as a PDF."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.exits import FAILED, USAGE, clear_failures, fail
from daemon.times import parse_time, zone_named


def report(
    site_file: Annotated[
        Path, typer.Argument(metavar="SITE", help="Site file whose journal holds the history.")
    ],
    *,
    output: Annotated[Path | None, typer.Option(help="HTML file to write.")] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", help="PDF file to write; either, or both.")] = None,
    unit: Annotated[
        str, typer.Option(help="Dehydration unit; may be left out where there is only one.")
    ] = "",
    start: Annotated[
        str,
        typer.Option(
            "--from", help="ISO 8601 (without offset: the site's time zone), or back from now: -7d."
        ),
    ] = "-7d",
    end: Annotated[str, typer.Option("--to", help="As --from; this moment itself is not included.")] = "now",
    gas_price: Annotated[
        float | None,
        typer.Option(min=0.0, help="Worth of 1000 standard cubic feet (us sites) or a standard m3 (si)."),
    ] = None,
) -> None:
    """Write a report of one unit: margin, purity, circulation, reboiler, pump, alarms, samples, data.

    The HTML is one file without scripts that needs nothing else. The PDF shows the same on numbered pages (A4
    or, where the site shows US units, letter); it needs tegwatch's report extra and the Pango libraries.
    Reads the journal beside a running daemon or without one.
    Exit code 0: done; 1: the journal cannot be read or the file not written; 2: the question is wrong; 3: the
    site file is wrong.

    Example: tegwatch report site.toml --unit north --from -30d --pdf north.pdf
    """
    from importlib.metadata import version

    from config.loader import load_site
    from daemon.journal.errors import JournalError, NotStored
    from daemon.report.paper import NoPress, write_pdf
    from daemon.report.written import Question, write_report

    if output is None and pdf is None:
        fail("where to? --output FILE.html, --pdf FILE.pdf, or both", USAGE)
    with clear_failures():
        site = load_site(site_file)
    now = time.time()
    try:
        begin, until = (parse_time(text, now, zone_named(site.site.time_zone)) for text in (start, end))
    except ValueError as error:
        fail(str(error), USAGE)
    if begin >= until:
        fail("--from must be before --to", USAGE)
    names = [each.name for each in site.units]
    name = unit or (names[0] if len(names) == 1 else "")
    if name not in names:
        fail(f"which unit? --unit takes one of: {', '.join(names)}", USAGE)
    journal = site_file.resolve().parent / site.journal.path
    question = Question(name, begin, until, gas_price)
    try:
        with _progress(begin, until) as shown:
            written = write_report(
                site, journal, question, now=now, version=version("tegwatch"), progress=shown
            )
    except NotStored as error:
        fail(f"{error}; tegwatch history --list shows what is", FAILED)
    except JournalError as error:
        fail(str(error), FAILED)
    try:
        if output is not None:
            output.write_text(written.html, encoding="utf-8")
        if pdf is not None:
            write_pdf(written.html, pdf, letter=site.site.unit_system == "us")
    except NoPress as error:
        fail(str(error), FAILED)
    except OSError as error:
        fail(f"{error.filename}: cannot be written: {error.strerror}", FAILED)
    files = " and ".join(str(path) for path in (output, pdf) if path is not None)
    print(f"{files}: {written.scans} scans, {written.occurrences} times an alarm", file=sys.stderr)


@contextmanager
def _progress(begin: float, end: float) -> Iterator[Callable[[float], None]]:
    """Show a bar on standard error where somebody sees it."""
    if not sys.stderr.isatty():
        yield lambda _time: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=end - begin)
        yield lambda time: bar.update(task, completed=time - begin)
