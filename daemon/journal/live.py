"""Live fan-out: what was just journaled, for pages and metrics that can afford to miss something."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass

from daemon.model import Outcome


@dataclass(frozen=True, slots=True)
class Published:
    """An outcome as it is told to subscribers.

    ``stored`` is false only while the journal cannot be written: alarms are told all the same, and a stop
    of the daemon before the disk recovers would forget them.
    """

    outcome: Outcome
    first: int
    last: int
    stored: bool


class Subscription:
    """One subscriber's queue: an async iterator that ends when the writer closes.

    A subscriber that does not keep up loses the oldest items; ``dropped`` counts them, and what was missed
    stands in the journal.
    """

    def __init__(self, subscribers: set[Subscription], size: int) -> None:
        self.dropped = 0
        self._items: deque[Published] = deque()
        self._size = size
        self._ready = asyncio.Event()
        self._closed = False
        self._subscribers = subscribers
        subscribers.add(self)

    def __aiter__(self) -> Subscription:
        return self

    async def __anext__(self) -> Published:
        while not self._items:
            if self._closed:
                raise StopAsyncIteration
            self._ready.clear()
            await self._ready.wait()
        return self._items.popleft()

    def offer(self, item: Published) -> None:
        """Hand over an item; never waits."""
        if len(self._items) >= self._size:
            self._items.popleft()
            self.dropped += 1
        self._items.append(item)
        self._ready.set()

    def close(self) -> None:
        """Take no more; what is queued can still be read."""
        self._closed = True
        self._subscribers.discard(self)
        self._ready.set()
