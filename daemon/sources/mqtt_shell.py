"""Staying subscribed to a broker: connect, take batches, tell the link's state, pause, connect again."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Protocol

from config.controllers import MqttBase
from daemon.backoff import pause
from daemon.clock import Clock
from daemon.model import Link, LinkState, Reading
from daemon.mqtt_link import LinkError, Message
from daemon.sources.board import Board

FIRST_PAUSE = 0.5
"""Pause after the first failed attempt [s]."""
DROPS_SHOWN = 60.0
"""How long the link is called degraded after messages were dropped [s]."""


class Subscription(Protocol):
    """One connection as the shell sees it: messages come in, nothing can go out."""

    @property
    def dropped(self) -> int:
        """Messages forgotten because they came faster than they were taken."""
        ...

    def batches(self) -> AsyncIterator[list[Message]]:
        """Yield messages in order until the connection is lost."""
        ...


class PastReadings(Protocol):
    """Takes readings that are history already when they arrive, so that the journal can keep them."""

    def __call__(self, unit: str, signal: str, reading: Reading) -> None:
        """Take one reading; must not block and must not raise."""
        ...


class Subscribed:
    """Keeps one subscription alive for ever and shows its state as the link of one broker.

    Parameters
    ----------
    settings : MqttBase
        The broker.
    connect : Callable
        Makes one new connection, to be entered.
    on_connected, on_lost : Callable
        Called when a connection begins and when it has ended.
    on_batch : Callable
        Called with every batch of messages.
    """

    def __init__(
        self,
        settings: MqttBase,
        board: Board,
        clock: Clock,
        connect: Callable[[], AbstractAsyncContextManager[Subscription]],
        *,
        on_connected: Callable[[], None],
        on_batch: Callable[[Sequence[Message]], None],
        on_lost: Callable[[], None],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        spread: Callable[[], float] = random.random,
    ) -> None:
        self._settings = settings
        self._board = board
        self._clock = clock
        self._connect = connect
        self._on_connected = on_connected
        self._on_batch = on_batch
        self._on_lost = on_lost
        self._sleep = sleep
        self._spread = spread
        self._dropped_before = 0
        self._dropped_now = 0
        self._last_drop = -DROPS_SHOWN
        self._last_good = float("-inf")

    @property
    def dropped(self) -> int:
        """Messages dropped since the daemon started."""
        return self._dropped_before + self._dropped_now

    async def run(self) -> None:
        """Stay subscribed until cancelled."""
        failures = 0
        self._show(LinkState.CONNECTING, "connecting")
        while True:
            try:
                async with self._connect() as subscription:
                    failures = 0
                    self._on_connected()
                    self._show(LinkState.UP, "")
                    async for batch in subscription.batches():
                        self._take(batch, subscription.dropped)
            except LinkError as error:
                self._dropped_before, self._dropped_now = self.dropped, 0
                self._on_lost()
                self._show(LinkState.DOWN, str(error))
            failures += 1
            longest = self._settings.reconnect_delay_max
            await self._sleep(pause(failures, FIRST_PAUSE, longest, self._spread()))

    def _take(self, batch: Sequence[Message], dropped: int) -> None:
        now = self._clock.monotonic()
        self._last_good = now
        self._on_batch(batch)
        if dropped > self._dropped_now:
            self._dropped_now, self._last_drop = dropped, now
        if now - self._last_drop < DROPS_SHOWN:
            limit = self._settings.queue_limit
            text = f"{self.dropped} messages dropped so far, the oldest first: more than {limit} were waiting"
            self._show(LinkState.DEGRADED, text)
        else:
            self._show(LinkState.UP, "")
        self._board.cycle_done(self._settings.name)

    def _show(self, state: LinkState, reason: str) -> None:
        before = self._board.link(self._settings.name)
        since = before.since if before.state is state else self._clock.monotonic()
        self._board.set_link(self._settings.name, Link(state, since, self._last_good, reason))
