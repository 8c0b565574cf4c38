"""Signals from an MQTT broker: subscribe, decode, put on the board. Nothing here can publish."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager

from config.controllers import MqttBroker
from config.mqtt_consistency import client_id
from config.signals import MqttSignal
from config.site import Site
from config.topics import matches
from config.units import UnitContext
from daemon.clock import Clock
from daemon.model import Reading
from daemon.mqtt_link import Message, Subscriber
from daemon.sources.base import scaling_of
from daemon.sources.board import Board
from daemon.sources.mqtt_payload import Arrival, Point, decode, point_of
from daemon.sources.mqtt_shell import PastReadings, Subscribed, Subscription

_ROUTES_KEPT = 10_000


class Routes:
    """Which signals come with which topic."""

    def __init__(self, points: Sequence[tuple[str, Point]]) -> None:
        self._by_filter: dict[str, list[Point]] = {}
        for topic_filter, point in points:
            self._by_filter.setdefault(topic_filter, []).append(point)
        self._known: dict[str, tuple[Point, ...]] = {}

    @property
    def filters(self) -> tuple[str, ...]:
        """Subscription filters, each once, in the order of the site file."""
        return tuple(self._by_filter)

    def points(self, topic: str) -> tuple[Point, ...]:
        """Return the signals that a message on this topic can hold."""
        if (found := self._known.get(topic)) is not None:
            return found
        if len(self._known) >= _ROUTES_KEPT:  # a wildcard can meet any number of topics
            self._known.clear()
        found = tuple(
            point for wanted, points in self._by_filter.items() if matches(wanted, topic) for point in points
        )
        self._known[topic] = found
        return found


class MqttSource:
    """Reads the signals of one broker until cancelled.

    Parameters
    ----------
    broker : MqttBroker
        The broker.
    routes : Routes
        Its signals by topic.
    client_id : str
        Fixed, so that the broker knows our session again.
    board : Board
        Where readings and the link's state go.
    clock : Clock
        Times of receipt.
    past : PastReadings
        Gets what was measured while the daemon was away.
    connect : Callable or None
        Makes one connection; tests put their own here.
    """

    def __init__(
        self,
        broker: MqttBroker,
        routes: Routes,
        client_id: str,
        board: Board,
        clock: Clock,
        past: PastReadings,
        connect: Callable[[], AbstractAsyncContextManager[Subscription]] | None = None,
    ) -> None:
        self.name = broker.name
        self._routes = routes
        self._board = board
        self._clock = clock
        self._past = past
        self._resumed = broker.persistent_session
        self._connected = clock.monotonic()
        self._shell = Subscribed(
            broker,
            board,
            clock,
            connect
            or (lambda: Subscriber(broker, client_id, routes.filters, persistent=broker.persistent_session)),
            on_connected=self._begin,
            on_batch=self._take,
            on_lost=lambda: None,  # readings age on the board; the link says why
        )

    @property
    def dropped(self) -> int:
        """Messages dropped since the daemon started because they came faster than they were taken."""
        return self._shell.dropped

    async def run(self) -> None:
        """Read until cancelled."""
        await self._shell.run()

    def _begin(self) -> None:
        self._connected = self._clock.monotonic()

    def _take(self, batch: Sequence[Message]) -> None:
        wall, monotonic = self._clock.wall(), self._clock.monotonic()
        live = Arrival(wall, monotonic, self._connected, self._resumed)
        kept = Arrival(wall, monotonic, self._connected, self._resumed, retained=True)
        for message in batch:
            arrival = kept if message.retained else live
            for decoded in decode(message.payload, self._routes.points(message.topic), arrival):
                point = decoded.point
                if decoded.history is not None:
                    self._past(point.unit, point.signal, decoded.history)
                if not message.retained or self._is_news(point, decoded.reading):
                    self._board.put(point.unit, point.signal, decoded.reading)

    def _is_news(self, point: Point, reading: Reading) -> bool:
        """Whether a retained message (repeated at every subscription) says more than we know."""
        known = self._board.reading(point.unit, point.signal)
        return known.value is None or (reading.value is not None and reading.time > known.time)


def mqtt_source(
    site: Site, broker: MqttBroker, context: UnitContext, board: Board, clock: Clock, past: PastReadings
) -> MqttSource:
    """Make the source of one broker of a site.

    Raises
    ------
    ValueError
        A signal whose topic, path or unit cannot be used; the text names it.
    """
    points = [
        (signal.topic, point_of(unit.name, name, signal, scaling_of(name, signal, context), broker))
        for unit in site.units
        for name, signal in unit.signals.items()
        if isinstance(signal, MqttSignal) and signal.controller == broker.name
    ]
    return MqttSource(broker, Routes(points), client_id(site.site.name, broker), board, clock, past)
