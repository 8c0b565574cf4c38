"""How well the alarms serve their operator: figures from the journal beside the standard's targets."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from daemon.journal.queries import History
from daemon.model import AlarmTransition, EntryKind
from daemon.monitor.alarms.performance import (
    AlarmPerformance,
    Judgement,
    Verdict,
    performance,
    verdicts,
)

BEFORE = 30 * 86400.0
"""How far back it is looked for what was true when the period began [s]."""
DAY = 86400.0
SOURCE = "Targets: ANSI/ISA-18.2-2016 tables 5 and 6, clause 16.4, seen through secondary sources."
_SHARES = ("share", "priority", "periods", "time in")


def figures_of(journal: Path, begin: float, end: float, unit: str | None) -> AlarmPerformance:
    """Work out the figures of a period [POSIX s], of one unit or of all.

    Raises
    ------
    daemon.journal.errors.JournalError
        The journal cannot be read, or knows no such unit.
    """
    with History(journal) as history:
        entries = history.records(begin - BEFORE, end, kinds={EntryKind.ALARM}, unit=unit)
        return performance(_transitions(entries), begin, end)


def _transitions(entries: Iterator[Any]) -> Iterator[AlarmTransition]:
    for entry in entries:
        if isinstance(entry.body, AlarmTransition):
            yield entry.body


def as_json(figures: AlarmPerformance) -> str:
    """Write the figures for a program; shares from 0 to 1, times in POSIX seconds."""
    facts = {
        "from": figures.begin,
        "to": figures.end,
        "long_enough": figures.long_enough,
        "annunciations": figures.annunciations,
        "per_day": figures.per_day,
        "floods": [[one.begin, one.end, one.annunciations] for one in figures.floods],
        "most_frequent": [[unit, alarm, count] for (unit, alarm), count in figures.top],
        "chattering": [list(key) for key in figures.chattering],
        "fleeting": [[*key, count] for key, count in figures.fleeting.items()],
        "stale": [[*key, seconds] for key, seconds in figures.stale.items()],
        "priorities": {priority.value: count for priority, count in figures.by_priority.items()},
        "verdicts": [
            {
                "figure": one.figure,
                "value": one.value,
                "target": one.target,
                "judgement": one.judgement.value,
            }
            for one in verdicts(figures)
        ],
    }
    return json.dumps(facts, indent=2, ensure_ascii=False)


def show(figures: AlarmPerformance, console: Console) -> None:
    """Print the figures for people."""
    days = (figures.end - figures.begin) / DAY
    console.print(f"{figures.annunciations} annunciations in {days:.1f} days, {figures.per_day:.2f} a day")
    if not figures.long_enough:
        console.print("The standard judges at least 30 days; of fewer, take the verdicts as a hint.")
    table = Table(box=None, pad_edge=False)
    for heading in ("figure", "value", "target", "judgement"):
        table.add_column(heading, justify="right" if heading == "value" else "left")
    for one in verdicts(figures):
        table.add_row(one.figure, _number(one), one.target, one.judgement.value)
    console.print(table)
    if figures.top:
        console.print("\nMost frequent")
        frequent = Table(box=None, pad_edge=False, show_header=False)
        for (unit, alarm), count in figures.top:
            frequent.add_row(str(count), unit, alarm)
        console.print(frequent)
    for title, keys in (
        ("Chattering", figures.chattering),
        ("Fleeting", tuple(figures.fleeting)),
        ("Stale", tuple(figures.stale)),
    ):
        if keys:
            console.print(f"\n{title}: " + ", ".join(f"{unit} {alarm}" for unit, alarm in keys))
    console.print(f"\n{SOURCE}")


def missed(figures: AlarmPerformance) -> bool:
    """Whether any figure misses its target."""
    return any(one.judgement is Judgement.MISSED for one in verdicts(figures))


def _number(one: Verdict) -> str:
    if any(word in one.figure for word in _SHARES):
        return f"{100.0 * one.value:.1f} %"
    return f"{one.value:.2f}".rstrip("0").rstrip(".")
