"""Housekeeping: what is archived, what is deleted, and what is said when it fails."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from config.loader import load_site
from daemon.housekeeping import ARCHIVE_FAILING, ARCHIVE_WORKS, Housekeeping
from daemon.journal.queries import History
from daemon.journal.tuning import WriterTuning
from daemon.journal.writer import JournalWriter
from tests.support.archives import DAY, HOT, MIDNIGHT, filled
from tests.support.clocks import FakeClock

SITE = load_site(Path(__file__).parents[2] / "config" / "examples" / "demo.toml")
PERIOD = 300.0
SCANS = round(DAY / PERIOD)


def site(**changes: object):
    journal = SITE.journal.model_copy(update=changes)
    return SITE.model_copy(update={"journal": journal})


@pytest.fixture
async def house(tmp_path: Path):
    """Three days of scans, a writer and its housekeeping; ``settings`` is what is in force."""
    journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 3 * DAY, PERIOD)
    clock = FakeClock(wall_time=MIDNIGHT + 3.5 * DAY)
    async with JournalWriter.running(journal, clock, WriterTuning(sample_delay=0.0)) as writer:
        told: list[tuple[str, str]] = []
        keeper = Housekeeping(
            writer,
            clock,
            lambda: keeper.settings,
            set,
            lambda kind, text: told.append((kind, text)),
        )
        keeper.settings, keeper.told, keeper.path, keeper.clock = site(), told, journal.path, clock
        yield keeper


def rows(path: Path) -> int:
    with History(path) as history:
        return len(list(history.values("north", [HOT], 0.0, MIDNIGHT + 99 * DAY)))


def in_journal(house) -> int:
    return len(house._writer._journal.entries(0, 10_000))


async def test_closed_periods_are_archived_and_nothing_is_missing(house):
    await house.once()
    assert house.figures.archived_scans == 3 * SCANS
    assert house.figures.disk.archive > 0
    assert rows(house.path) == in_journal(house) == 3 * SCANS
    assert house.told == []


async def test_old_scans_leave_the_journal_once_the_archive_has_them(house):
    house.settings = site(keep=2 * DAY)
    await house.once()
    assert in_journal(house) == 3 * SCANS, "they go in the run after the one that archived them"
    await house.once()
    assert in_journal(house) < 3 * SCANS
    assert rows(house.path) == 3 * SCANS


async def test_without_an_archive_old_scans_are_deleted(house):
    house.settings = site(keep=2 * DAY, archive=SITE.journal.archive.model_copy(update={"enabled": False}))
    await house.once()
    assert rows(house.path) == in_journal(house) == round(1.5 * SCANS)
    assert not (house.path.parent / "tegwatch-archive").exists()


async def test_what_fails_is_told_once_and_told_again_when_it_works(house):
    (house.path.parent / "tegwatch-archive").write_text("a file where the folder should be")
    house.settings = site(keep=DAY)
    await house.once()
    await house.once()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING]
    assert "tegwatch-archive" in house.told[0][1]
    assert in_journal(house) == round(1.5 * SCANS), "twice its time, and no longer"
    (house.path.parent / "tegwatch-archive").unlink()
    await house.once()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING, ARCHIVE_WORKS]
    assert house.figures.failing == ""


async def test_a_damaged_file_is_told(house):
    house.clock.wall_time = MIDNIGHT + 4 * DAY
    await house.once()
    for path in (house.path.parent / "tegwatch-archive" / "north").glob("minutes-2023-11-16*"):
        path.write_bytes(b"PAR1")
    house.clock.wall_time = MIDNIGHT + 40 * DAY
    await house.once()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING]
    assert "minutes-2023-11-16" in house.told[0][1]
    assert rows(house.path) == 3 * SCANS


async def test_a_removed_archive_is_named_file_by_file(house):
    await house.once()
    shutil.rmtree(house.path.parent / "tegwatch-archive")
    with History(house.path) as history:
        assert list(history.values("north", [HOT], 0.0, MIDNIGHT + 99 * DAY)) == []
        assert len(history.unreadable) == 3
