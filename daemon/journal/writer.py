"""The journal's asynchronous side: group commits on a thread of its own, and what follows from each.

::

    put_nowait ──> backlog ──> commit (writer thread) ──> live subscribers, waiting sinks, ``committed``

Nothing hears of an outcome before it is in the file. The one exception is a disk that fails, is full or
does not answer: then alarms matter more than their record, so from the failed commit on outcomes are told
at once, marked as not stored, and wait in the backlog until the disk takes them. Sinks get their alarms
and events in that time too. The backlog is bounded: values are dropped oldest first and counted, and when
the disk recovers (no restart is needed) the journal itself gets an event that says what is missing.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor

import structlog

from daemon.clock import Clock, SystemClock
from daemon.journal import schema
from daemon.journal.backlog import Backlog, Losses
from daemon.journal.drafts import Draft
from daemon.journal.errors import JournalError, StoreFailed, Unstorable
from daemon.journal.journal import Journal
from daemon.journal.live import Published, Subscription
from daemon.journal.reading import EntrySource
from daemon.journal.retention import Pruned
from daemon.journal.tuning import WriterFigures, WriterTuning
from daemon.model import Entry, EntryKind, Event, OperatingState, Outcome

log = structlog.get_logger(__name__)

JOURNAL_GAP = "journal gap"
"""Kind of the event that says what could not be stored."""
JOURNAL_SALVAGED = "journal salvaged"
"""Kind of the event that says that a damaged journal was replaced at start."""

OUTCOME_UNSTORABLE = "outcome unstorable"
"""Kind of the event that says that one outcome could not be written, whatever the disk."""


class JournalWriter:
    """Takes outcomes in, commits them in groups, tells whoever listens. Also the sinks' reader.

    Parameters
    ----------
    journal : Journal
        Open for writing; belongs to the writer from now on, which closes it.
    clock : Clock
        Times of the writer's own events.
    tuning : WriterTuning
        Times and bounds.
    """

    def __init__(
        self, journal: Journal, clock: Clock | None = None, tuning: WriterTuning | None = None
    ) -> None:
        self.figures = WriterFigures()
        self._journal = journal
        self._clock = clock or SystemClock()
        self._tuning = tuning or WriterTuning()
        self._backlog = Backlog(self._tuning.max_samples, self._tuning.max_records)
        self._in_flight: list[Draft] = []
        self._told: set[int] = set()  # first sequences of waiting drafts that subscribers have heard of
        self._waiters: dict[int, asyncio.Future[None]] = {}
        self._cursors: dict[str, int] = {}
        self._moved: set[str] = set()
        self._subscribers: set[Subscription] = set()
        self._visible = journal.last_sequence
        self._news = asyncio.Event()
        self._work = asyncio.Event()
        self._urgent = asyncio.Event()
        self._stopping = False
        self._task: asyncio.Task[None] | None = None
        self._writing = ThreadPoolExecutor(1, "journal-writer")
        self._reading = ThreadPoolExecutor(1, "journal-reader")
        self._reader: EntrySource | None = None

    # ------------------------------------------------------------------ life

    @classmethod
    @contextlib.asynccontextmanager
    async def running(
        cls, journal: Journal, clock: Clock | None = None, tuning: WriterTuning | None = None
    ) -> AsyncIterator[JournalWriter]:
        """Run a writer for the length of a ``async with`` block; everything put is stored at its end."""
        writer = cls(journal, clock, tuning)
        writer.start()
        try:
            yield writer
        finally:
            await writer.close()

    def start(self) -> None:
        """Begin to commit; needs a running event loop."""
        if self._journal.salvage is not None:
            self._note(JOURNAL_SALVAGED, str(self._journal.salvage))
        self._task = asyncio.get_running_loop().create_task(self._run(), name="journal-writer")

    async def close(self) -> None:
        """Store what is waiting, as far as the disk takes it, and close the journal.

        Raises
        ------
        StoreFailed
            The disk does not take what is waiting; the message says how much is lost.
        """
        self._stopping = True
        self._work.set()
        self._urgent.set()
        try:
            if self._task is not None:
                await self._task
        finally:
            for subscription in tuple(self._subscribers):
                subscription.close()
            self._news.set()
            loop = asyncio.get_running_loop()
            if self._reader is not None:
                await loop.run_in_executor(self._reading, self._reader.connection.close)
            self._reading.shutdown()
            try:
                await loop.run_in_executor(self._writing, self._journal.close)
            finally:
                self._writing.shutdown()

    async def watch(self) -> None:
        """Wait until the writer is closed; raise what ended it otherwise. For whoever supervises tasks."""
        if self._task is not None:
            await asyncio.shield(self._task)

    # ------------------------------------------------------------------ taking outcomes

    @property
    def journal(self) -> Journal:
        """The journal; its file and identity are what others may ask it for."""
        return self._journal

    @property
    def head(self) -> int:
        """Sequence of the newest entry that was taken, stored or not yet."""
        return self._journal.last_sequence

    @property
    def full(self) -> bool:
        """Whether nothing can be taken any more: the writer is closed or its task has died."""
        return self._stopping or (self._task is not None and self._task.done())

    def put_nowait(self, outcome: Outcome) -> None:
        """Take an outcome; never waits and never refuses while the writer runs.

        When the disk cannot keep up, the oldest values give way (see the module).
        """
        self._put(outcome)

    async def put(self, outcome: Outcome) -> None:
        """Take an outcome and let others run when much is waiting."""
        self._put(outcome)
        if len(self._backlog) > self._tuning.batch_limit:
            await asyncio.sleep(0)

    async def committed(self, outcome: Outcome) -> None:
        """Take an outcome and return when it is on the disk: for what a person is told is kept.

        Raises
        ------
        StoreFailed
            The disk did not take it now. It holds in the running daemon and will be stored when the disk
            recovers; a stop before that forgets it.
        """
        draft = self._put(outcome)
        if draft.length == 0:
            return
        if self.figures.failing:
            raise StoreFailed(self.figures.failing)
        waiter = self._waiters[draft.first] = asyncio.get_running_loop().create_future()
        try:
            await waiter
        finally:
            self._waiters.pop(draft.first, None)

    def _put(self, outcome: Outcome) -> Draft:
        if self.full:
            raise JournalError("the journal's writer is closed")
        draft = self._journal.number(outcome)
        self._count(self._backlog.add(draft))
        if self.figures.failing:
            self._tell([draft], stored=False)
        self._work.set()
        if self._backlog.urgent:
            self._urgent.set()
        return draft

    def _note(
        self, kind: str, message: str, data: dict[str, str | float | int | bool | None] | None = None
    ) -> None:
        """Put an event of the journal's own."""
        now = self._clock.wall()
        event = Event("", kind, now, message, data or {})
        self._put(Outcome("", 0, now, self._clock.monotonic(), OperatingState.UNKNOWN, {}, {}, (), (event,)))

    def _count(self, dropped: Sequence[Draft]) -> None:
        for draft in dropped:
            self._told.discard(draft.first)
            self.figures.dropped_samples += draft.has_scan
            self.figures.dropped_records += len(draft.outcome.alarms) + len(draft.outcome.events)

    # ------------------------------------------------------------------ committing

    async def _run(self) -> None:
        while True:
            if not self._backlog and not self._moved:
                if self._stopping:
                    return
                self._work.clear()
                await self._work.wait()
                continue
            if not self._backlog.urgent and not self._stopping and self._tuning.sample_delay > 0:
                self._urgent.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._urgent.wait(), self._tuning.sample_delay)
            if not await self._commit():
                if self._stopping:
                    raise StoreFailed(
                        f"{self.figures.failing}; {len(self._backlog)} outcomes could not be stored"
                    )
                await asyncio.sleep(self._tuning.retry_delay)

    async def _commit(self) -> bool:
        """Store one batch; on failure put it back and tell what it holds all the same."""
        batch = self._in_flight = self._backlog.take(self._tuning.batch_limit)
        cursors = [(name, self._cursors[name]) for name in self._moved]
        self._moved.clear()
        loop = asyncio.get_running_loop()
        storing = loop.run_in_executor(self._writing, self._journal.store, batch, cursors)
        await asyncio.wait({storing}, timeout=self._tuning.answer_limit)
        if not storing.done():
            self._fail(f"the disk has not answered for {self._tuning.answer_limit:g} s")
        try:
            await storing
        except (StoreFailed, Unstorable) as error:
            self.figures.failed_commits += 1
            self._moved.update(name for name, _ in cursors)
            self._in_flight = []
            if isinstance(error, Unstorable):
                self._set_apart(next(draft for draft in batch if draft.first == error.sequence), error)
                batch = [draft for draft in batch if draft.first != error.sequence]
            self._count(self._backlog.give_back(batch))
            if isinstance(error, StoreFailed):
                self._fail(str(error))
                return False
            return True
        self._in_flight = []
        self.figures.commits += 1
        self.figures.outcomes += len(batch)
        self.figures.last_commit = self._clock.monotonic()
        self._tell(batch, stored=True)
        if self.figures.failing and not self._backlog:
            self._recover()
        return True

    def _set_apart(self, draft: Draft, error: Unstorable) -> None:
        """Give up an outcome that no attempt will store, loudly: the others must not wait behind it."""
        log.error("outcome_unstorable", unit=draft.outcome.unit, sequence=draft.first, reason=str(error))
        self._tell([draft], stored=False)
        self._count([draft])
        if (waiter := self._waiters.get(draft.first)) is not None and not waiter.done():
            waiter.set_exception(error)
        self._note(OUTCOME_UNSTORABLE, f"an outcome of {draft.outcome.unit} could not be stored: {error}")

    def _fail(self, reason: str) -> None:
        if not self.figures.failing:
            log.error("journal_failing", reason=reason)
        self.figures.failing = reason
        waiting = [*self._in_flight, *self._backlog]
        self._tell(waiting, stored=False)
        for waiter in self._waiters.values():
            if not waiter.done():
                waiter.set_exception(StoreFailed(reason))

    def _recover(self) -> None:
        losses = self._backlog.take_losses()
        log.info("journal_recovered", was=self.figures.failing, lost_samples=sum(losses.samples.values()))
        reason, self.figures.failing = self.figures.failing, ""
        if losses:
            self._note(JOURNAL_GAP, *_gap(reason, losses))

    def _tell(self, drafts: Sequence[Draft], *, stored: bool) -> None:
        """Publish what subscribers have not heard of yet, and move what readers may see."""
        for draft in drafts:
            if draft.first in self._told and draft.length:
                if stored:
                    self._told.discard(draft.first)
            else:
                if not stored and draft.length:
                    self._told.add(draft.first)
                item = Published(draft.outcome, draft.first, draft.last, stored)
                for subscription in tuple(self._subscribers):
                    subscription.offer(item)
            self._visible = max(self._visible, draft.last)
            if stored and (waiter := self._waiters.get(draft.first)) is not None and not waiter.done():
                waiter.set_result(None)
        news, self._news = self._news, asyncio.Event()
        news.set()

    # ------------------------------------------------------------------ listening and reading

    def subscribe(self) -> Subscription:
        """Listen to outcomes as they are committed; close the subscription when done."""
        return Subscription(self._subscribers, self._tuning.subscriber_queue)

    async def read(self, after: int, limit: int, kinds: Collection[EntryKind]) -> list[Entry]:
        """Return up to ``limit`` entries of these kinds with a sequence above ``after``, in order.

        While the disk fails, entries that wait for it are among them.

        Raises
        ------
        JournalError
            The file cannot be read now.
        """
        waiting = [*self._in_flight, *self._backlog] if self.figures.failing else []
        loop = asyncio.get_running_loop()
        found = await loop.run_in_executor(self._reading, self._read, after, limit, kinds)
        if waiting and len(found) < limit:
            seen = {entry.sequence for entry in found}
            found += [
                entry
                for draft in waiting
                if draft.last > after
                for entry in draft.entries()
                if entry.sequence > after and entry.kind in kinds and entry.sequence not in seen
            ]
            found.sort(key=lambda entry: entry.sequence)
        return found[:limit]

    def _read(self, after: int, limit: int, kinds: Collection[EntryKind]) -> list[Entry]:
        try:
            if self._reader is None:
                self._reader = EntrySource(schema.connect_reader(self._journal.path))
            return self._reader.entries(after, limit, kinds)
        except sqlite3.Error as error:
            raise JournalError(f"{self._journal.path}: cannot be read: {error}") from error

    async def wait_newer(self, sequence: int) -> int:
        """Wait until the journal's highest sequence is above ``sequence`` and return it."""
        while self._visible <= sequence:
            if self._stopping:
                raise JournalError("the journal's writer is closed")
            await self._news.wait()
        return self._visible

    async def cursor(self, name: str) -> int:
        """Return where a sink stands; one that is asked for the first time starts at the journal's head."""
        if name not in self._cursors:
            loop = asyncio.get_running_loop()
            known = await loop.run_in_executor(self._writing, self._journal.cursor, name)
            if known is None:
                known = self._visible
                self._moved.add(name)
                self._work.set()
            self._cursors.setdefault(name, known)
        return self._cursors[name]

    async def move_cursor(self, name: str, sequence: int) -> None:
        """Keep that everything up to and with ``sequence`` is delivered; stored with the next commit.

        A crash before that commit makes the sink deliver again, which receivers must bear anyway.
        """
        if sequence > await self.cursor(name):
            self._cursors[name] = sequence
            self._moved.add(name)
            self._work.set()

    async def prune(
        self, before: float, scan_readers: Collection[str] = (), *, spare_unarchived: bool = False
    ) -> Pruned:
        """Delete some thousand scans that are older than ``before``, between two commits."""
        loop = asyncio.get_running_loop()
        now = self._clock.wall()
        return await loop.run_in_executor(
            self._writing,
            lambda: self._journal.prune(
                before, now=now, scan_readers=scan_readers, spare_unarchived=spare_unarchived
            ),
        )


def _gap(reason: str, losses: Losses) -> tuple[str, dict[str, str | float | int | bool | None]]:
    samples, records = sum(losses.samples.values()), sum(losses.records.values())
    message = f"{samples} scans and {records} alarm or event records could not be stored: {reason}"
    data: dict[str, str | float | int | bool | None] = {"from": losses.since, "to": losses.until}
    data |= {f"scans of {unit}": number for unit, number in losses.samples.items()}
    data |= {f"records of {unit}": number for unit, number in losses.records.items()}
    return message, data
