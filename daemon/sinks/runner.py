"""The loop that every sink shares: read after the cursor, deliver, move the cursor, for ever.

Alarms are never given up: a failed delivery comes again after a pause that doubles up to a limit. The cursor
moves only when the sink has returned, so a stop at any moment repeats a delivery and never loses one.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace

from daemon.backoff import pause
from daemon.clock import Clock
from daemon.model import Entry, EntryKind
from daemon.sinks.base import DeliveryFailed, EntryReader, Sink, deliverable, route_test

FIRST_PAUSE = 1.0
LONGEST_PAUSE = 60.0
BATCH = 200
"""Entries delivered at a time."""
CURSOR_RESTS = 60.0
"""An idle sink's cursor is written at most this often [s]: a write a scan would wear the disk for nothing."""


@dataclass(frozen=True, slots=True)
class SinkHealth:
    """How one sink is doing.

    ``failing_since`` is the wall time of the first of the failures in a row, ``None`` while it works;
    ``behind`` counts journal sequences between cursor and head, those it does not want included.
    """

    name: str
    delivered: int = 0
    attempts_failed: int = 0
    failing_since: float | None = None
    last_error: str = ""
    last_delivery: float | None = None
    cursor: int = 0
    behind: int = 0


def retry_pause(failures: int, failed: DeliveryFailed, spread: float) -> float:
    """Return how long to wait after the given number of failures in a row [s].

    A receiver's own wish (HTTP 429 with Retry-After) is honoured up to an hour; one that will never take it
    is asked again at the longest pause, because somebody may put it right.

    Parameters
    ----------
    failures : int
        Failures in a row, 1 or more.
    failed : DeliveryFailed
        The last of them.
    spread : float
        Random number from 0 to 1.

    Examples
    --------
    >>> [retry_pause(n, DeliveryFailed("down"), 0.0) for n in (1, 2, 6, 7, 100)]
    [1.0, 2.0, 32.0, 60.0, 60.0]
    >>> retry_pause(1, DeliveryFailed("gone", retryable=False), 0.0)
    60.0
    >>> retry_pause(1, DeliveryFailed("busy", retry_after=120.0), 1.0)
    120.0
    """
    own = pause(failures if failed.retryable else 100, FIRST_PAUSE, LONGEST_PAUSE, spread)
    return max(own, min(failed.retry_after or 0.0, 3600.0))


class SinkRunner:
    """Runs one sink until cancelled.

    Parameters
    ----------
    sink : Sink
        Where entries go.
    reader : EntryReader
        The journal.
    clock : Clock
        Times in the health report and between two writes of an idle cursor.
    on_change : Callable
        Told when the sink begins to fail and when it works again, with its health; must not raise. The
        daemon raises a system alarm from it, which goes out by the other sinks.
    """

    def __init__(
        self,
        sink: Sink,
        reader: EntryReader,
        clock: Clock,
        on_change: Callable[[SinkHealth], None] = lambda _: None,
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        spread: Callable[[], float] = random.random,
    ) -> None:
        self._sink = sink
        self._reader = reader
        self._clock = clock
        self._on_change = on_change
        self._sleep = sleep
        self._spread = spread
        self._health = SinkHealth(sink.name)
        self._failures: dict[str, int] = {}
        self._stored = 0
        self._stored_at = clock.monotonic()
        self._moved = asyncio.Event()

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._sink.name

    @property
    def sends_scans(self) -> bool:
        """Whether it sends values on, so that deleting old scans can cost it something."""
        return EntryKind.SCAN in self._sink.selection.kinds

    async def caught_up(self, sequence: int) -> None:
        """Return when everything up to and with ``sequence`` is delivered or not wanted."""
        while self._health.cursor < sequence:
            self._moved.clear()
            await self._moved.wait()

    @property
    def health(self) -> SinkHealth:
        """How the sink is doing now."""
        return self._health

    async def run(self) -> None:
        """Deliver until cancelled, then let the sink say good-bye."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._beat(), name=f"{self._sink.name}: heartbeat")
                group.create_task(self._deliver(), name=f"{self._sink.name}: deliver")
        finally:
            await self._sink.close()

    async def test(self, site: str) -> None:
        """Send a test message to the receiver now, past the journal; return when it is acknowledged.

        Raises
        ------
        DeliveryFailed
            It was not.
        """
        await self._sink.deliver([route_test(site, self._clock.wall())])

    async def _beat(self) -> None:
        if self._sink.beat_period is None:
            return
        while True:
            try:
                await self._sink.beat()
            except DeliveryFailed as failed:
                await self._failed(self._sink.beat, failed)
            else:
                self._works(self._sink.beat)
                await self._sleep(self._sink.beat_period)

    async def _deliver(self) -> None:
        selection = self._sink.selection
        position = self._stored = await self._reader.cursor(self._sink.name)
        head = 0
        while True:
            head = await self._reader.wait_newer(max(head, position))
            while position < head:
                entries = await self._reader.read(position, BATCH, selection.kinds)
                wanted = deliverable(selection, entries)
                self._stands(position, head)
                if wanted:
                    await self._until_delivered(wanted, head)
                # Fewer than asked for: nothing of these kinds lies between the last one and the head.
                last = entries[-1].sequence if entries else position
                position = last if len(entries) == BATCH else max(last, head)
                self._stands(position, head)
                await self._store(position, at_once=bool(wanted))

    async def _until_delivered(self, entries: list[Entry], head: int) -> None:
        while True:
            try:
                await self._sink.deliver(entries)
            except DeliveryFailed as failed:
                if failed.delivered:
                    done, entries = entries[: failed.delivered], entries[failed.delivered :]
                    self._count(len(done))
                    self._stands(done[-1].sequence, head)
                    await self._store(done[-1].sequence, at_once=True)
                    self._failures.update({self._sink.deliver.__name__: 0} if self._failures else {})
                await self._failed(self._sink.deliver, failed)
            else:
                self._count(len(entries))
                self._works(self._sink.deliver)
                return

    async def _store(self, position: int, *, at_once: bool) -> None:
        now = self._clock.monotonic()
        if position > self._stored and (at_once or now - self._stored_at >= CURSOR_RESTS):
            await self._reader.move_cursor(self._sink.name, position)
            self._stored, self._stored_at = position, now

    async def _failed(self, call: Callable[..., object], failed: DeliveryFailed) -> None:
        what = call.__name__
        began = not self._failures
        self._failures[what] = self._failures.get(what, 0) + 1
        self._health = replace(
            self._health,
            attempts_failed=self._health.attempts_failed + 1,
            failing_since=self._clock.wall() if began else self._health.failing_since,
            last_error=failed.reason,
        )
        if began:
            self._on_change(self._health)
        await self._sleep(retry_pause(self._failures[what], failed, self._spread()))

    def _works(self, call: Callable[..., object]) -> None:
        if self._failures.pop(call.__name__, None) is not None and not self._failures:
            self._health = replace(self._health, failing_since=None)
            self._on_change(self._health)

    def _count(self, entries: int) -> None:
        self._health = replace(
            self._health, delivered=self._health.delivered + entries, last_delivery=self._clock.wall()
        )

    def _stands(self, position: int, head: int) -> None:
        self._health = replace(self._health, cursor=position, behind=max(0, head - position))
        self._moved.set()
