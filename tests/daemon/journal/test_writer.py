"""The writer: nothing is heard of before it is stored, unless the disk fails; nothing waits for the disk."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from pathlib import Path

import pytest

from daemon.journal.errors import JournalError, StoreFailed, Unstorable
from daemon.journal.journal import Journal
from daemon.journal.tuning import WriterTuning
from daemon.journal.writer import JOURNAL_GAP, JOURNAL_SALVAGED, OUTCOME_UNSTORABLE, JournalWriter
from daemon.model import AlarmTransition, EntryKind, Event
from tests.support.clocks import FakeClock
from tests.support.outcomes import event, outcome, transition

NOW = 1_700_000_000.0
AT_ONCE = WriterTuning(sample_delay=0.0, retry_delay=0.0)
RECORDS = frozenset({EntryKind.ALARM, EntryKind.EVENT})
ALL = frozenset(EntryKind)


class Disk(Journal):
    """A journal whose disk fails, or does not answer, while a test says so; counts what was asked of it."""

    failing = ""
    attempts = 0

    def __init__(self, *arguments):
        self.batches: list[int] = []
        super().__init__(*arguments)

    def hold(self) -> threading.Event:
        """Let commits wait for the returned event."""
        self.gate = threading.Event()
        return self.gate

    def store(self, drafts, cursors=()):
        gate = getattr(self, "gate", None)
        if gate is not None:
            assert gate.wait(30)
        self.attempts += 1
        if drafts:
            self.batches.append(len(drafts))
        if self.failing:
            raise StoreFailed(self.failing)
        super().store(drafts, cursors)


@pytest.fixture
def disk(tmp_path: Path) -> Disk:
    return Disk.open(tmp_path / "journal.sqlite3", now=NOW)


def stored(path: Path):
    journal = Journal.open(path, now=NOW)
    assert journal.verify() == []
    entries = journal.entries(0, 100_000)
    journal.close()
    return entries


async def until(condition) -> None:
    """Let the loop run until something is so; the test's time limit ends a wait in vain."""
    while not condition():  # noqa: ASYNC110 - conditions on another thread's work have no event
        await asyncio.sleep(0.001)


async def test_what_is_put_is_stored_in_order(disk):
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        for number in range(500):
            writer.put_nowait(outcome(number, alarms=(transition(number),) if number % 50 == 7 else ()))
    entries = stored(disk.path)
    assert len(entries) == 510
    assert [entry.sequence for entry in entries] == list(range(1, 511))
    scans = [entry.time - NOW for entry in entries if entry.kind is EntryKind.SCAN]
    assert scans == list(range(500))


async def test_subscribers_hear_of_nothing_before_it_is_stored(disk):
    gate = disk.hold()
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        listening = writer.subscribe()
        heard = asyncio.ensure_future(anext(listening))
        await writer.put(outcome(1, alarms=(transition(1),)))
        await asyncio.sleep(0.05)
        assert not heard.done()
        assert await writer.read(0, 10, ALL) == []
        gate.set()
        item = await heard
        assert (item.outcome, item.first, item.last, item.stored) == (
            outcome(1, alarms=(transition(1),)),
            1,
            2,
            True,
        )
        assert [entry.sequence for entry in await writer.read(0, 10, ALL)] == [1, 2]


async def test_outcomes_that_come_together_are_committed_together(disk):
    gate = disk.hold()
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        await writer.put(outcome(0))
        await until(lambda: writer._in_flight)
        for number in range(1, 300):
            writer.put_nowait(outcome(number))
        gate.set()
    assert disk.batches == [1, 299]


async def test_values_wait_for_company_and_an_alarm_ends_the_wait(disk):
    async with JournalWriter.running(disk, tuning=WriterTuning(sample_delay=3600.0)) as writer:
        await writer.put(outcome(1))
        await asyncio.sleep(0.02)
        assert writer.figures.commits == 0
        await asyncio.wait_for(writer.committed(outcome(2, alarms=(transition(2),))), 10)
        assert disk.batches == [2]


async def test_an_operator_is_told_only_what_is_on_the_disk(disk):
    gate = disk.hold()
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        acting = asyncio.ensure_future(
            writer.committed(outcome(1, values=False, alarms=(transition(1, actor="maria"),)))
        )
        await asyncio.sleep(0.02)
        assert not acting.done()
        gate.set()
        await acting
        assert [entry.body.actor for entry in await writer.read(0, 10, RECORDS)] == ["maria"]


async def test_an_operator_is_told_when_the_disk_does_not_take_it(disk):
    disk.failing = "database or disk is full"
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        with pytest.raises(StoreFailed, match="disk is full"):
            await writer.committed(outcome(1, alarms=(transition(1),)))
        with pytest.raises(StoreFailed, match="disk is full"):
            await writer.committed(outcome(2, alarms=(transition(2),)))
        disk.failing = ""
    kept = [entry.body.occurrence for entry in stored(disk.path) if entry.kind is EntryKind.ALARM]
    assert kept == ["reboiler_high-1", "reboiler_high-2"]


async def test_a_slow_subscriber_loses_the_oldest_and_counts(disk):
    async with JournalWriter.running(
        disk, tuning=WriterTuning(sample_delay=0.0, subscriber_queue=10)
    ) as writer:
        slow = writer.subscribe()
        for number in range(25):
            writer.put_nowait(outcome(number))
        await until(lambda: writer.figures.outcomes == 25)
    assert slow.dropped == 15
    assert [item.outcome.sequence async for item in slow] == list(range(15, 25))


class TestFailingDisk:
    async def test_alarms_go_out_live_and_to_sinks_and_are_stored_later_with_the_same_numbers(self, disk):
        async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
            listening = writer.subscribe()
            await writer.put(outcome(1))
            assert (await anext(listening)).stored
            disk.failing = "database or disk is full"
            await writer.put(outcome(2, alarms=(transition(2),)))
            item = await asyncio.wait_for(anext(listening), 10)
            assert (item.outcome.sequence, item.stored) == (2, False)
            assert writer.figures.failing == "database or disk is full"
            assert await writer.wait_newer(1) == 3
            told = await writer.read(1, 10, RECORDS)
            assert [entry.sequence for entry in told] == [3]
            await writer.move_cursor("mqtt", 3)
            disk.failing = ""
            await until(lambda: not writer.figures.failing)
            assert await writer.read(1, 10, RECORDS) == told
            assert not listening._items  # stored at last, but told once
        entries = stored(disk.path)
        assert [entry.sequence for entry in entries] == [1, 2, 3]
        journal = Journal.open(disk.path, now=NOW)
        assert journal.cursor("mqtt") == 3
        journal.close()

    async def test_the_oldest_values_are_dropped_and_counted_and_no_alarm_is(self, disk):
        clock = FakeClock(NOW + 5000)
        tuning = WriterTuning(sample_delay=0.0, retry_delay=0.0, max_samples=100)
        disk.failing = "disk I/O error"
        async with JournalWriter.running(disk, clock, tuning) as writer:
            for number in range(1000):
                await writer.put(outcome(number, alarms=(transition(number),) if number % 100 == 0 else ()))
                if number % 10 == 0:
                    await asyncio.sleep(0)
            await until(lambda: disk.attempts > 3)
            assert writer.figures.dropped_samples >= 790
            disk.failing = ""
            await until(lambda: not writer.figures.failing)
        entries = stored(disk.path)
        alarms = [entry.body.occurrence for entry in entries if entry.kind is EntryKind.ALARM]
        assert alarms == [f"reboiler_high-{number}" for number in range(0, 1000, 100)]
        scans = [entry.time - NOW for entry in entries if entry.kind is EntryKind.SCAN]
        assert scans == sorted(scans)
        assert scans[-1] == 999
        (gap,) = (entry.body for entry in entries if entry.kind is EntryKind.EVENT)
        assert gap.kind == JOURNAL_GAP
        assert gap.data["scans of north"] == writer.figures.dropped_samples == 1000 - len(scans)
        assert "disk I/O error" in gap.message
        assert gap.data["from"] == NOW + 1  # scan 0 came with an alarm and was kept

    async def test_records_are_bounded_too_and_counted(self, disk):
        disk.failing = "disk I/O error"
        tuning = WriterTuning(sample_delay=0.0, retry_delay=0.0, max_records=10)
        async with JournalWriter.running(disk, tuning=tuning) as writer:
            for number in range(15):
                writer.put_nowait(outcome(number, values=False, events=(event(number),)))
            assert writer.figures.dropped_records == 5
            disk.failing = ""
        kept = [entry.body for entry in stored(disk.path)]
        assert [body.data["number"] for body in kept if body.kind != JOURNAL_GAP] == list(range(5, 15))

    async def test_a_disk_that_does_not_answer_holds_up_no_alarm(self, disk):
        gate = disk.hold()
        tuning = WriterTuning(sample_delay=0.0, answer_limit=0.05)
        async with JournalWriter.running(disk, tuning=tuning) as writer:
            listening = writer.subscribe()
            await writer.put(outcome(1, alarms=(transition(1),)))
            first = await asyncio.wait_for(anext(listening), 10)
            assert (first.outcome.sequence, first.stored) == (1, False)
            assert "not answered for 0.05 s" in writer.figures.failing
            await writer.put(outcome(2, alarms=(transition(2),)))
            assert (await asyncio.wait_for(anext(listening), 10)).outcome.sequence == 2
            gate.set()
            await until(lambda: not writer.figures.failing)
        assert [entry.sequence for entry in stored(disk.path)] == [1, 2, 3, 4]

    async def test_closing_says_how_much_is_lost_when_the_disk_takes_nothing(self, disk):
        disk.failing = "database or disk is full"
        writer = JournalWriter(disk, tuning=AT_ONCE)
        writer.start()
        for number in range(3):
            writer.put_nowait(outcome(number))
        with pytest.raises(StoreFailed, match="3 outcomes could not be stored"):
            await writer.close()
        assert writer.full

    async def test_a_real_disk_limit_is_met_and_left_again(self, tmp_path):
        """SQLite's own page limit raises the same error as a full disk (SQLITE_FULL)."""
        journal = Journal.open(tmp_path / "journal.sqlite3", now=NOW)
        pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
        journal._connection.execute(f"PRAGMA max_page_count = {pages + 3}")
        async with JournalWriter.running(journal, tuning=AT_ONCE) as writer:
            for number in range(300):
                writer.put_nowait(outcome(number, alarms=(transition(number),)))
                await asyncio.sleep(0)
            await until(lambda: writer.figures.failing)
            assert "full" in writer.figures.failing
            last = (await writer.read(0, 1000, RECORDS))[-1]
            assert last.body.occurrence == "reboiler_high-299"
            await asyncio.get_running_loop().run_in_executor(
                writer._writing, journal._connection.execute, "PRAGMA max_page_count = 1073741823"
            )
            await until(lambda: not writer.figures.failing)
        assert len(stored(journal.path)) == 600


async def test_an_outcome_that_cannot_be_written_does_not_hold_up_the_others(disk):
    poison = outcome(2, events=(Event("north", "odd", NOW, "holds what JSON cannot", {"what": {1}}),))
    gate = disk.hold()
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        asking = asyncio.ensure_future(writer.committed(poison))
        for number in (3, 4):
            await writer.put(outcome(number, alarms=(transition(number),)))
        gate.set()
        with pytest.raises(Unstorable, match="not JSON serializable"):
            await asking
        await until(lambda: writer.figures.outcomes == 3)
        assert not writer.figures.failing
        assert (writer.figures.dropped_samples, writer.figures.dropped_records) == (1, 1)
    kept = [entry.body for entry in stored(disk.path) if entry.kind is not EntryKind.SCAN]
    assert [type(body) for body in kept] == [AlarmTransition, AlarmTransition, Event]
    assert kept[-1].kind == OUTCOME_UNSTORABLE


async def test_cursors_are_kept_with_the_next_commit_and_start_at_the_head(disk):
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        await writer.put(outcome(1))
        await until(lambda: writer.figures.outcomes == 1)
        assert await writer.cursor("mqtt") == 1
        await writer.move_cursor("mqtt", 5)
        await writer.move_cursor("mqtt", 4)
        assert await writer.cursor("mqtt") == 5
    journal = Journal.open(disk.path, now=NOW)
    assert journal.cursor("mqtt") == 5
    journal.close()


async def test_waiting_for_news_ends_with_the_next_commit_or_with_the_writer(disk):
    async with JournalWriter.running(disk, tuning=AT_ONCE) as writer:
        waiting = asyncio.ensure_future(writer.wait_newer(0))
        await asyncio.sleep(0)
        assert not waiting.done()
        await writer.put(outcome(1, alarms=(transition(1),)))
        assert await waiting == 2
        assert await writer.wait_newer(1) == 2
        last = asyncio.ensure_future(writer.wait_newer(2))
    with pytest.raises(JournalError, match="closed"):
        await last


async def test_pruning_goes_on_beside_commits(disk):
    clock = FakeClock(NOW + 100)
    async with JournalWriter.running(disk, clock, AT_ONCE) as writer:
        for number in range(100):
            writer.put_nowait(outcome(number))
        await until(lambda: writer.figures.outcomes == 100)
        pruned = await writer.prune(NOW + 60)
        assert (pruned.scans, pruned.finished) == (60, True)


async def test_a_salvaged_journal_says_so_in_its_first_entry(tmp_path):
    path = tmp_path / "journal.sqlite3"
    journal = Journal.open(path, now=NOW)
    journal.commit([outcome(n, alarms=(transition(n),)) for n in range(3)])
    journal.close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE entry SET body = zeroblob(100) WHERE sequence = 5")
    connection.close()
    async with JournalWriter.running(Journal.open(path, now=NOW), FakeClock(NOW), AT_ONCE) as writer:
        await until(lambda: writer.figures.outcomes == 1)
        found = (await writer.read(6, 10, RECORDS))[0].body
    assert found.kind == JOURNAL_SALVAGED
    assert "5 to 5" in found.message


async def test_a_closed_writer_takes_nothing(disk):
    writer = JournalWriter(disk, tuning=AT_ONCE)
    writer.start()
    await writer.close()
    with pytest.raises(JournalError, match="closed"):
        writer.put_nowait(outcome(1))


async def test_a_defect_that_ends_the_writer_reaches_whoever_watches(disk, monkeypatch):
    def defective(drafts, cursors=()):
        raise RuntimeError("a defect")

    writer = JournalWriter(disk, tuning=AT_ONCE)
    writer.start()
    watching = asyncio.ensure_future(writer.watch())
    monkeypatch.setattr(disk, "store", defective)
    await writer.put(outcome(1))
    with pytest.raises(RuntimeError, match="a defect"):
        await watching
    assert writer.full
    with pytest.raises(RuntimeError, match="a defect"):
        await writer.close()
