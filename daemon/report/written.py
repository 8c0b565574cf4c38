"""From a question to a written report: one unit of a site over a stretch of stored time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from config.alarm_set import resolve_alarms
from config.loader import configuration_hash
from config.site import Site
from daemon.history_output import site_wording
from daemon.journal.errors import NotStored
from daemon.journal.queries import History
from daemon.model import AlarmTransition, EntryKind, Event
from daemon.monitor.entries import ENTRIES, LEAN_PURITY
from daemon.replay import occurrences
from daemon.report.economy import economy
from daemon.report.figures import gather, wanted
from daemon.report.page import page
from daemon.report.sections import Subject, happened

LONGEST_LOOK_BACK = 31 * 86400.0
"""Alarms that were raised so long before a report's begin are still known to be active [s]."""


@dataclass(frozen=True, slots=True)
class Question:
    """What a report is asked about; times are POSIX seconds."""

    unit: str
    begin: float
    end: float
    gas_price: float | None = None
    """Worth of 1000 standard cubic feet (us) or of a standard m3 (si)."""
    most_scans: int | None = None
    """Refuse to read more."""


@dataclass(frozen=True, slots=True)
class Written:
    """A report and what it rests on."""

    html: str
    scans: int
    occurrences: int


def write_report(
    site: Site,
    journal: Path,
    question: Question,
    *,
    now: float,
    version: str,
    progress: Callable[[float], None] = lambda _time: None,
) -> Written:
    """Write a report from a journal and its archive, beside a running daemon or without one.

    Parameters
    ----------
    site : Site
        The configuration.
    journal : pathlib.Path
        The journal's file.
    question : Question
        What to write about; the unit is one of the site's.
    now : float
        When it is written [POSIX s].
    version : str
        Of the program.
    progress : callable
        Told the time of a scan now and then.

    Raises
    ------
    daemon.journal.errors.NotStored
        Nothing is stored in that time.
    daemon.journal.errors.TooManyRows
        There are more scans than may be read.
    daemon.journal.errors.JournalError
        The journal cannot be read.
    """
    unit = next(each for each in site.units if each.name == question.unit)
    begin, end = question.begin, question.end
    with History(journal) as stored:
        columns = wanted(stored.columns(unit.name))
        rows = stored.values(unit.name, columns, begin, end, max_rows=question.most_scans)
        figures = gather(rows, columns, begin, end, unit.scan_period, progress)
        entries = stored.records(begin - LONGEST_LOOK_BACK, end, kinds={EntryKind.ALARM}, unit=unit.name)
        transitions = [each.body for each in entries if isinstance(each.body, AlarmTransition)]
        # What happened in this time may have been entered after it.
        events = [each.body for each in stored.records(begin, now, kinds={EntryKind.EVENT}, unit=unit.name)]
    if not figures.scans:
        raise NotStored("nothing is stored between these times")
    about = Subject(
        site,
        unit,
        site_wording(site, unit.name),
        figures,
        economy(site, unit, figures),
        transitions,
        occurrences(transitions, begin, end),
        {alarm.id: alarm.title for alarm in resolve_alarms(site, unit).alarms},
        _log_book(events, begin, end),
        question.gas_price,
    )
    html = page(about, written=now, version=version, configuration=configuration_hash(site))
    return Written(html, figures.scans, len(about.occurrences))


def _log_book(events: Sequence[object], begin: float, end: float) -> list[Event]:
    """Return what people entered of a time, and what that did, in the order in which it happened."""
    entered = [each for each in events if isinstance(each, Event) and each.kind in {*ENTRIES, LEAN_PURITY}]
    return sorted((each for each in entered if begin <= happened(each) < end), key=happened)
