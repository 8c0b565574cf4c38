"""The loop that every sink shares: order, cursor, back-off, health. No time passes in these tests."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.sinks import LogSink
from daemon.model import NO_LONGER_CONFIGURED, AlarmState, Entry, EntryKind, Priority
from daemon.sinks.base import DeliveryFailed, Selection, Sink, deliverable, route_test, selection_of
from daemon.sinks.runner import BATCH, SinkHealth, SinkRunner, retry_pause
from tests.support.clocks import FakeClock
from tests.support.journals import MemoryJournal, alarm, event, scan


class Recorder(Sink):
    """Takes entries, or fails as the script says; tells when it has what the test waits for."""

    def __init__(self, wanted: int, *failures: DeliveryFailed, selection: Selection | None = None) -> None:
        self.got: list[int] = []
        self.calls: list[list[int]] = []
        self.full = asyncio.Event()
        self.closed = False
        self._wanted = wanted
        self._failures = list(failures)
        self._selection = selection or Selection()

    @property
    def name(self) -> str:
        return "recorder"

    @property
    def selection(self) -> Selection:
        return self._selection

    async def deliver(self, entries: Sequence[Entry]) -> None:
        self.calls.append([entry.sequence for entry in entries])
        if self._failures:
            failed = self._failures.pop(0)
            self.got.extend(entry.sequence for entry in entries[: failed.delivered])
            raise failed
        self.got.extend(entry.sequence for entry in entries)
        if len(self.got) >= self._wanted:
            self.full.set()

    async def close(self) -> None:
        self.closed = True


class Bench:
    """One runner on a journal in memory, its pauses and health changes recorded."""

    def __init__(self, sink: Sink, journal: MemoryJournal) -> None:
        self.pauses: list[float] = []
        self.changes: list[SinkHealth] = []
        self.clock = FakeClock()
        self.runner = SinkRunner(
            sink, journal, self.clock, self.changes.append, sleep=self._sleep, spread=lambda: 0.0
        )

    async def _sleep(self, seconds: float) -> None:
        self.pauses.append(seconds)
        self.clock.advance(seconds)
        await asyncio.sleep(0)

    async def until(self, event: asyncio.Event) -> None:
        task = asyncio.create_task(self.runner.run())
        await event.wait()
        for _ in range(5):  # let the runner move the cursor after the last delivery
            await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


async def test_everything_after_the_cursor_arrives_in_order_and_moves_it() -> None:
    journal = MemoryJournal(*(alarm(n) for n in range(1, 11)))
    journal.cursors["recorder"] = 3
    sink = Recorder(7)
    await Bench(sink, journal).until(sink.full)
    assert sink.got == [4, 5, 6, 7, 8, 9, 10]
    assert journal.cursors["recorder"] == 10
    assert sink.closed


async def test_more_than_a_batch_with_unwanted_entries_between() -> None:
    entries = [alarm(n) if n % 3 == 0 else scan(n) for n in range(1, 3 * BATCH + 200)]
    wanted = [entry.sequence for entry in entries if entry.kind is EntryKind.ALARM]
    journal, sink = MemoryJournal(*entries), Recorder(len(wanted))
    await Bench(sink, journal).until(sink.full)
    assert sink.got == wanted
    assert max(map(len, sink.calls)) == BATCH
    assert journal.cursors["recorder"] >= wanted[-1]


async def test_a_receiver_that_is_down_gets_everything_once_afterwards_in_order() -> None:
    journal = MemoryJournal(*(alarm(n) for n in range(1, 6)))
    sink = Recorder(5, *(DeliveryFailed(f"down {n}") for n in range(8)))
    bench = Bench(sink, journal)
    await bench.until(sink.full)
    assert bench.pauses == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
    assert sink.got == [1, 2, 3, 4, 5]
    first, second = bench.changes
    assert (first.failing_since, first.last_error) == (FakeClock().wall(), "down 0")
    assert (second.failing_since, second.attempts_failed, second.last_error) == (None, 8, "down 7")
    assert bench.runner.health.delivered == 5
    assert bench.runner.health.behind == 0


async def test_what_was_acknowledged_before_a_failure_does_not_come_again() -> None:
    journal = MemoryJournal(*(alarm(n) for n in range(1, 6)))
    sink = Recorder(5, DeliveryFailed("half way", delivered=2), DeliveryFailed("again", delivered=1))
    bench = Bench(sink, journal)
    await bench.until(sink.full)
    assert sink.calls == [[1, 2, 3, 4, 5], [3, 4, 5], [4, 5]]
    assert sink.got == [1, 2, 3, 4, 5]
    assert journal.moves == [("recorder", 2), ("recorder", 3), ("recorder", 5)]
    assert bench.pauses == [1.0, 1.0]  # there was progress: the pause does not grow


async def test_the_cursor_stays_while_nothing_is_acknowledged() -> None:
    journal = MemoryJournal(alarm(1))
    failing = asyncio.Event()

    class Down(Recorder):
        async def deliver(self, entries: Sequence[Entry]) -> None:
            if len(self.calls) > 50:
                failing.set()
            await super().deliver(entries)

    sink = Down(1, *(DeliveryFailed("down") for _ in range(1000)))
    await Bench(sink, journal).until(failing)
    assert journal.moves == []


async def test_an_idle_cursor_is_written_once_a_minute_at_most() -> None:
    journal = MemoryJournal(scan(1))
    sink = Recorder(1)
    bench = Bench(sink, journal)
    task = asyncio.create_task(bench.runner.run())
    for n in range(2, 302):
        await journal.add(scan(n))
        bench.clock.advance(1.0)
        for _ in range(6):
            await asyncio.sleep(0)
    await journal.add(alarm(302))
    await sink.full.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert 3 <= len(journal.moves) <= 6
    assert sink.got == [302]


async def test_entries_that_come_later_wake_the_runner() -> None:
    journal, sink = MemoryJournal(), Recorder(2)
    bench = Bench(sink, journal)
    task = asyncio.create_task(bench.runner.run())
    await journal.add(alarm(1))
    await journal.add(scan(2), alarm(3))
    await sink.full.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert sink.got == [1, 3]


async def test_a_heartbeat_that_fails_is_a_failing_sink_until_it_beats_again() -> None:
    class Beating(Recorder):
        beat_period = 10.0
        beats = 0

        async def beat(self) -> None:
            self.beats += 1
            if self.beats in {2, 3}:
                raise DeliveryFailed("no broker")
            if self.beats == 5:
                self.full.set()

    sink = Beating(1)
    bench = Bench(sink, MemoryJournal())
    await bench.until(sink.full)
    assert bench.pauses[:5] == [10.0, 1.0, 2.0, 10.0, 10.0]
    assert [health.failing_since is None for health in bench.changes] == [False, True]


async def test_a_test_message_goes_past_the_journal_and_moves_no_cursor() -> None:
    journal, sink = MemoryJournal(alarm(1)), Recorder(1, DeliveryFailed("not there"))
    bench = Bench(sink, journal)
    with pytest.raises(DeliveryFailed, match="not there"):
        await bench.runner.test("north")
    await bench.runner.test("north")
    assert sink.got == [0]
    assert (journal.moves, bench.changes) == ([], [])


def test_selection_by_priority_unit_and_kind() -> None:
    entries = [
        alarm(1, priority=Priority.LOW),
        alarm(2, priority=Priority.HIGHEST),
        alarm(3, unit="unit-2"),
        event(4),
        scan(5),
        route_test("site", 0.0),
    ]

    def chosen(selection: Selection) -> list[int]:
        return [entry.sequence for entry in deliverable(selection, entries)]

    assert chosen(Selection()) == [1, 2, 3, 4, 0]
    assert chosen(Selection(minimum_priority=Priority.HIGH)) == [2, 3, 4, 0]
    assert chosen(Selection(units=frozenset({"unit-2"}))) == [3, 0]
    assert chosen(Selection(kinds=frozenset({EntryKind.SCAN}))) == [5, 0]


def test_selection_by_class_and_the_end_of_what_is_no_longer_configured() -> None:
    gone: dict[str, Any] = {"event": NO_LONGER_CONFIGURED, "state": AlarmState.NORMAL}
    entries = [
        alarm(1),
        alarm(2, alarm_class="contract"),
        alarm(3, alarm_class=""),  # recorded before alarms had classes
        event(4),
        alarm(5, unit="unit-9", priority=Priority.LOW, **gone),
    ]
    settings = LogSink(
        kind="log", classes=("contract", "safety"), minimum_priority="medium", units=("unit-1",)
    )
    selection = selection_of(settings)
    assert [entry.sequence for entry in deliverable(selection, entries)] == [2, 3, 4, 5]
    assert deliverable(Selection(kinds=frozenset({EntryKind.SCAN})), entries) == []


@given(st.integers(1, 10_000), st.floats(0, 1), st.booleans(), st.one_of(st.none(), st.floats(0, 1e6)))
def test_pauses_are_never_short_never_beyond_the_limits(
    failures: int, spread: float, retryable: bool, wish: float | None
) -> None:
    failed = DeliveryFailed("", retryable=retryable, retry_after=wish)
    seconds = retry_pause(failures, failed, spread)
    assert 0.75 <= seconds <= 3600.0
    assert seconds >= min(wish or 0.0, 3600.0)
    assert retryable or seconds >= 45.0
