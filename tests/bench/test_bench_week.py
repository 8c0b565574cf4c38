"""A week in minutes: plant, monitor, journal, archive and restarts, as fast as they can.

A site's scans carry the time with them, so a week of one unit needs no week: the simulated plant is stepped
scan by scan, and only the work takes time (the print says how many times faster than life). Sockets cannot be
hurried in this way: what they do over time is the soak's (``test_soak.py``), in real time. About once a day
the daemon is killed and goes on from its checkpoint. ``TEGWATCH_WEEK_DAYS`` is another length.
"""

from __future__ import annotations

import asyncio
import gc
import itertools
import os
import random
import resource
import time
from pathlib import Path

import pytest

from config.alarm_set import resolve_alarms
from config.site import ArchiveSettings, Site
from daemon.journal.archive_process import archive_apart
from daemon.journal.catalogue import catalogue_of
from daemon.journal.columns import Column
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import AlarmTransition, EntryKind, Outcome
from daemon.monitor.unit_monitor import UnitMonitor
from tests.bench.test_bench_alarm_year import DAY, HOUR, START, Field, Operations, demo_unit, make_field

pytestmark = [pytest.mark.bench, pytest.mark.nightly, pytest.mark.timeout(3600)]

DAYS = int(os.environ.get("TEGWATCH_WEEK_DAYS", "7"))
PERIOD = 10.0
KEEP = 2 * DAY
"""How long the journal keeps scans that the archive has."""
GROWTH = 2.0
"""Most that memory may grow from one day to the next, at the median of the days after the first [MB]."""


def memory() -> float:
    """Resident memory of this process without garbage [MB]."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def tidy(journal: Journal, site: Site, now: float) -> None:
    """Do what the daemon's housekeeping does."""
    while not journal.prune(now - KEEP, now=now, spare_unarchived=True).finished:
        pass
    done = asyncio.run(
        archive_apart(
            journal.path, journal.identity, ArchiveSettings(), catalogue_of(site), journal.path.parent, now
        )
    )
    assert not done.trouble


def restarted(journal: Journal, field: Field, site: Site) -> Journal:
    """Kill the daemon without a word, and start it again on what it had stored."""
    path = journal.path
    journal._connection.close()  # no note that it ended in order
    journal._lock.close()
    after = Journal.open(path, now=START + field.at)
    (unit,) = (one for one in site.units if one.name == field.unit.name)
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    kept = after.checkpoint(unit.name)
    if kept is not None:
        monitor.restore(kept.body)
    field.monitor = monitor
    return after


def test_a_week_leaves_nothing_behind_and_loses_nothing(tmp_path: Path) -> None:
    site, _ = demo_unit(PERIOD)
    field, chance = make_field(PERIOD, Operations()), random.Random(11)
    field.monitor.saves = True
    path = tmp_path / "journal.sqlite3"
    journal = Journal.open(path, now=START)
    began, restarts, taken = time.perf_counter(), 0, 0
    used, sizes = [], []
    for _day in range(DAYS):
        killed_at = chance.randrange(int(DAY / PERIOD))
        batch: list[Outcome] = []
        for number in range(int(DAY / PERIOD)):
            outcome = field.scan()
            batch.append(outcome)
            tidying = (number + 1) % int(6 * HOUR / PERIOD) == 0
            if len(batch) == 6 or outcome.alarms or outcome.events or tidying or number == killed_at:
                journal.commit(batch)
                taken += len(batch)
                batch.clear()
            if number == killed_at:
                journal = restarted(journal, field, site)
                restarts += 1
            if tidying:
                tidy(journal, site, START + field.at)
        used.append(memory())
        sizes.append(sum(one.stat().st_size for one in tmp_path.glob("journal.sqlite3*")) / 1e6)
    seconds = time.perf_counter() - began
    journal.close()

    with History(path) as history:
        end = START + field.at + 1.0
        times = [
            row.time for row in history.values("north", [Column("result", "dew_point_margin")], 0.0, end)
        ]
        steps = [entry.body for entry in history.records(0.0, end, kinds=[EntryKind.ALARM])]
        wrong, disk = history.verify(), history.disk_use
    grown = sorted(after - before for before, after in itertools.pairwise(used[1:]))
    print(
        f"\n{DAYS} days of a scan every {PERIOD:g} s in {seconds:.0f} s, "
        f"{DAYS * DAY / seconds:.0f} times as fast; "
        f"{taken} scans, {len(steps)} alarm steps, {restarts} kills; memory by day "
        f"{[round(one, 1) for one in used]} MB, journal {[round(one, 1) for one in sizes]} MB, "
        f"archive {disk.archive / 1e6:.1f} MB"
    )
    assert wrong == []
    assert len(times) == taken == DAYS * int(DAY / PERIOD)
    assert len(set(times)) == taken
    state: dict[str, str] = {}
    for step in steps:
        assert isinstance(step, AlarmTransition)
        assert str(step.previous) == state.get(step.alarm, "NORM"), f"a step of {step.alarm} is missing"
        state[step.alarm] = str(step.state)
    if DAYS >= 4:
        assert grown[len(grown) // 2] < GROWTH
        assert sizes[-1] < 1.5 * max(sizes[: DAYS // 2 + 1])  # what the archive has leaves the journal
