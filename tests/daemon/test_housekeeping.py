"""Housekeeping: what is archived, what is deleted, and what is said when it fails."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from config.loader import load_site
from daemon import housekeeping
from daemon.housekeeping import (
    ARCHIVE_FAILING,
    ARCHIVE_WORKS,
    DELETED_UNARCHIVED,
    FORBEARANCE,
    Housekeeping,
)
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

        def keep(kind: str, message: str, **data: object) -> None:
            told.append((kind, message))
            given.append(data)

        given: list[dict[str, object]] = []
        keeper = Housekeeping(
            writer,
            clock,
            lambda: keeper.settings,
            set,
            keep,
        )
        keeper.settings, keeper.told, keeper.path, keeper.clock = site(), told, journal.path, clock
        keeper.given = given
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
    await house.once()
    await house.once()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING]
    assert "tegwatch-archive" in house.told[0][1]
    (house.path.parent / "tegwatch-archive").unlink()
    await house.once()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING, ARCHIVE_WORKS]
    assert house.figures.failing == ""


async def test_what_cannot_be_archived_is_deleted_at_last_and_this_is_an_event_with_count_and_span(house):
    (house.path.parent / "tegwatch-archive").write_text("a file where the folder should be")
    house.settings = site(keep=DAY)
    house.clock.advance(9 * DAY)
    await house.once()
    house.clock.advance(FORBEARANCE - 1.0)
    await house.once()
    assert in_journal(house) == 3 * SCANS, "old as they are, the alarm has not stood for long"
    house.clock.wall_time = MIDNIGHT + 4.9 * DAY
    house.clock.advance(600.0)
    for _ in range(3):
        await house.once()
    assert in_journal(house) == SCANS, "whole days, twice as old as the journal keeps scans"
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING, DELETED_UNARCHIVED]
    message, data = house.told[1][1], house.given[1]
    assert "576 scans from 2023-11-15T00:00:00.000Z to 2023-11-16T23:55:00.000Z" in message
    assert "tegwatch-archive" in message
    assert data == {"from": MIDNIGHT, "to": MIDNIGHT + 2 * DAY - PERIOD, "scans of north": 2 * SCANS}
    assert house.figures.deleted_unarchived == 2 * SCANS


async def test_an_archiver_that_hangs_is_ended_and_told(house, monkeypatch):
    ended = asyncio.Event()

    async def hanging(*_):
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()

    monkeypatch.setattr(housekeeping, "archive_apart", hanging)
    monkeypatch.setattr(housekeeping, "LONGEST", 0.01)
    await house.once()
    assert ended.is_set()
    assert [kind for kind, _ in house.told] == [ARCHIVE_FAILING]
    assert "has not come to an end" in house.figures.failing
    monkeypatch.undo()
    await house.once()
    assert house.figures.archived_scans == 3 * SCANS


async def test_after_a_long_stop_old_scans_are_archived_not_deleted(house):
    house.settings = site(keep=DAY)
    house.clock.advance(100 * DAY)
    await house.once()
    assert (house.told, house.figures.archived_scans, rows(house.path)) == ([], 3 * SCANS, 3 * SCANS)


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
