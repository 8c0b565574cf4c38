"""Journals with an archive for tests: invented scans of an invented unit, archived at once."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from pathlib import Path

from config.site import ArchiveSettings
from daemon.journal.archive_run import Archived
from daemon.journal.archiver import Archiver
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import OperatingState, Outcome, Reading, Result, Status

DAY = 86400.0
MIDNIGHT = 1_700_006_400.0
"""2023-11-15T00:00:00Z."""
HOT, LEVEL, MARGIN = Column("signal", "hot"), Column("signal", "level"), Column("result", "margin")
GRAINS = {HOT: Grain(0.1 / 1.8, 255.3722222222222), LEVEL: None, MARGIN: Grain(0.005)}


def catalogue(unit: str = "north", grains: dict[Column, Grain | None] | None = None) -> Catalogue:
    """A temperature with a register of 0.1 degF, a level without a resolution, a result."""
    known = GRAINS if grains is None else grains
    facts = {
        (unit, column): ColumnFacts(grain, "temperature", "K", "invented") for column, grain in known.items()
    }
    return Catalogue("cafe", facts)


def step(number: int, time: float, rng: random.Random, unit: str = "north") -> Outcome:
    """One scan; now and then something is bad, uncertain, old or absent."""
    register = round(3750 + 30 * math.sin(number / 900.0) + rng.gauss(0, 2))
    hot = Reading(register * 0.1 / 1.8 + 255.3722222222222, Status.GOOD, time - 0.2, time - 0.1)
    level = Reading(0.5 + rng.gauss(0, 0.01), Status.GOOD, time - 0.2, time - 0.1)
    margin = Result(5.0 + rng.gauss(0, 0.3), 1.7 + rng.random() / 10, Status.GOOD)
    if number % 97 == 0:
        hot = hot.degraded(Status.BAD_SENSOR_FAILURE, "open circuit")
        margin = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, "hot is bad: open circuit")
    if number % 131 == 0:
        level = Reading(level.value, Status.UNCERTAIN_SUB_NORMAL, time - 12.0, time, "old")
    signals = {"hot": hot, "level": level}
    state = OperatingState.DRYING if number % 1000 else OperatingState.READY
    return Outcome(unit, number, time, time, state, signals, {"margin": margin})


def steps(start: float, end: float, period: float = 10.0, unit: str = "north") -> Iterator[Outcome]:
    """Scans of a span; the same ones every time."""
    count = round((end - start) / period)
    for number in range(count):
        time = start + number * period
        yield step(number, time, random.Random(f"{unit} {time}"), unit)


def filled(path: Path, start: float, end: float, period: float = 10.0, *units: str) -> Journal:
    """A journal with the scans of a span."""
    path.parent.mkdir(exist_ok=True)
    journal = Journal.open(path, now=start)
    for unit in units or ("north",):
        found = list(steps(start, end, period, unit))
        for at in range(0, len(found), 2000):
            journal.commit(found[at : at + 2000])
    return journal


def archive(
    journal: Journal, now: float, pause: Callable[[], None] = lambda: None, **settings: float
) -> Archived:
    """Archive what is due."""
    kept = ArchiveSettings(**settings)  # type: ignore[arg-type]  # durations are floats
    return Archiver(journal, kept, catalogue(), journal.path.parent, pause).run(now)


def folder(journal: Journal) -> Path:
    return folder_of(journal.path)


def folder_of(path: Path) -> Path:
    """The archive of a journal's file."""
    return path.parent / ArchiveSettings().folder


def sequences(path: Path, start: float = 0.0, end: float = MIDNIGHT + 1000 * DAY) -> set[int]:
    """Which scans answer; fails where one answers twice or a file cannot be read."""
    with History(path) as history:
        found = [row.sequence for row in history.values("north", [HOT], start, end)]
        assert history.unreadable == []
    assert len(found) == len(set(found)), "a scan answers twice"
    return set(found)
