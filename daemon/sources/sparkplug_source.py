"""Signals from Sparkplug B edge nodes: listen, keep the state, put it on the board. Nothing here can publish.

A rebirth request would be a command; this daemon has none (``sparkplug_state`` says what it does instead).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractAsyncContextManager

from config.controllers import SparkplugBroker
from config.mqtt_consistency import client_id
from config.signals import SparkplugSignal
from config.site import Site
from config.units import UnitContext
from daemon.clock import Clock
from daemon.model import Reading
from daemon.mqtt_link import Message, Subscriber
from daemon.sources.base import Scaling, measured, scaling_of
from daemon.sources.board import Board
from daemon.sources.mqtt_shell import PastReadings, Subscribed, Subscription
from daemon.sources.sparkplug_state import Key, Observation, SparkplugState, subscriptions

Signals = dict[Key, list[tuple[str, str, Scaling]]]
"""Unit, signal and scaling of every signal that one metric feeds."""


class SparkplugSource:
    """Reads the edge nodes of one group until cancelled.

    Parameters
    ----------
    broker : SparkplugBroker
        The broker and the group.
    signals : Signals
        What the metrics feed.
    client_id : str
        Fixed, so that the broker keeps deaths for us while we are away.
    board : Board
        Where readings and the link's state go.
    clock : Clock
        Times of receipt.
    past : PastReadings
        Gets what edge nodes mark as historical.
    connect : Callable or None
        Makes one connection; tests put their own here.
    """

    def __init__(
        self,
        broker: SparkplugBroker,
        signals: Signals,
        client_id: str,
        board: Board,
        clock: Clock,
        past: PastReadings,
        connect: Callable[[], AbstractAsyncContextManager[Subscription]] | None = None,
    ) -> None:
        self.name = broker.name
        self._signals = signals
        self._board = board
        self._clock = clock
        self._past = past
        self._state = SparkplugState(broker.group_id, signals, broker.reorder_timeout)
        topics = subscriptions(broker.group_id, (node for node, _, _ in signals))
        self._gap = asyncio.Event()
        self._shell = Subscribed(
            broker,
            board,
            clock,
            connect or (lambda: Subscriber(broker, client_id, topics, persistent=True)),
            on_connected=lambda: None,
            on_batch=self._take,
            on_lost=lambda: self._show(self._state.broker_lost()),
        )

    @property
    def dropped(self) -> int:
        """Messages dropped since the daemon started because they came faster than they were taken."""
        return self._shell.dropped

    @property
    def unreadable(self) -> int:
        """Payloads that were no Sparkplug B messages, since the daemon started."""
        return self._state.unreadable

    async def run(self) -> None:
        """Read until cancelled."""
        self._show(self._state.start(self._clock.wall(), self._clock.monotonic()))
        async with asyncio.TaskGroup() as group:
            group.create_task(self._shell.run(), name=f"{self.name}: subscription")
            group.create_task(self._expire(), name=f"{self.name}: reorder time-out")

    def _take(self, batch: Sequence[Message]) -> None:
        wall, monotonic = self._clock.wall(), self._clock.monotonic()
        for message in batch:
            if message.retained:  # the standard forbids it: nobody knows which life of the node it tells of
                continue
            self._show(self._state.receive(message.topic, message.payload, wall, monotonic))
        if self._state.deadline() is not None:
            self._gap.set()

    async def _expire(self) -> None:
        while True:
            deadline = self._state.deadline()
            if deadline is None:
                self._gap.clear()
                await self._gap.wait()
                continue
            await asyncio.sleep(max(0.0, deadline - self._clock.monotonic()))
            if changed := self._state.expire(self._clock.monotonic()):
                self._show(changed)
                self._board.cycle_done(self.name)

    def _show(self, observations: Iterable[Observation]) -> None:
        for seen in observations:
            for unit, signal, scaling in self._signals[seen.key]:
                reading = _reading(seen, scaling)
                if seen.historical:
                    self._past(unit, signal, reading)
                else:
                    self._board.put(unit, signal, reading)


def _reading(seen: Observation, scaling: Scaling) -> Reading:
    if seen.value is None:
        return Reading(None, seen.status, seen.time, seen.received, seen.reason)
    return measured(seen.value, scaling, seen.time, seen.received).degraded(seen.status, seen.reason)


def sparkplug_source(
    site: Site, broker: SparkplugBroker, context: UnitContext, board: Board, clock: Clock, past: PastReadings
) -> SparkplugSource:
    """Make the source of one Sparkplug group of a site.

    Raises
    ------
    ValueError
        A signal whose unit cannot be used; the text names it.
    """
    signals: Signals = {}
    for unit in site.units:
        for name, signal in unit.signals.items():
            if isinstance(signal, SparkplugSignal) and signal.controller == broker.name:
                key = (signal.edge_node, signal.device, signal.metric)
                signals.setdefault(key, []).append((unit.name, name, scaling_of(name, signal, context)))
    return SparkplugSource(broker, signals, client_id(site.site.name, broker), board, clock, past)
