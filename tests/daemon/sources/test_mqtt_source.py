"""The MQTT source without a broker: routing, retained messages, history, drops, reconnecting."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator

import pytest

from config.controllers import MqttBroker
from config.loader import unit_context
from config.site import Site
from daemon.model import LinkState, Reading, Status
from daemon.mqtt_link import LinkError, Message
from daemon.sources.board import Board
from daemon.sources.mqtt_payload import Point
from daemon.sources.mqtt_shell import Subscribed
from daemon.sources.mqtt_source import MqttSource, Routes, mqtt_source
from tests.support.clocks import FakeClock
from tests.support.narrow import near
from tests.support.sites import site_with

BROKER = """
[[controllers]]
name = "broker"
protocol = "mqtt"
host = "127.0.0.1"
"""
SIGNALS = """
[units.signals.reboiler_temperature]
controller = "broker"
topic = "field/reboiler"
payload = "json"
path = "v"
time_path = "t"
time_format = "epoch s"
unit = "degC"
[units.signals.contactor_pressure]
controller = "broker"
topic = "field/+/values"
payload = "json"
path = "pressure"
unit = "kPa"
[units.signals.contactor_temperature]
controller = "broker"
topic = "field/contactor/values"
payload = "json"
path = "temperature"
unit = "K"
"""


class Wire:
    """Connections as a script: each is a list of batches, then it is lost; the last one stays silent."""

    def __init__(self, *connections: list[list[Message]] | LinkError) -> None:
        self._connections = list(connections)
        self.dropped = 0
        self.quiet = asyncio.Event()

    @contextlib.asynccontextmanager
    async def connect(self) -> AsyncIterator[Wire]:
        if self._connections and isinstance(self._connections[0], LinkError):
            raise self._connections.pop(0)  # type: ignore[misc]
        yield self

    async def batches(self) -> AsyncIterator[list[Message]]:
        if self._connections:
            for batch in self._connections.pop(0):  # type: ignore[union-attr]
                yield batch
        if not self._connections:
            self.quiet.set()
            await asyncio.Event().wait()
        raise LinkError("connection to the broker lost: test")


@pytest.fixture
def site() -> Site:
    return site_with(BROKER, SIGNALS)


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def board(site: Site, clock: FakeClock) -> Board:
    return Board(site, clock)


async def run_to_quiet(source: MqttSource, wire: Wire) -> None:
    task = asyncio.create_task(source.run())
    await wire.quiet.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def source_on(
    wire: Wire, site: Site, board: Board, clock: FakeClock, past: list[tuple[str, str, Reading]]
) -> MqttSource:
    broker = site.controllers[0]
    assert isinstance(broker, MqttBroker)
    made = mqtt_source(site, broker, unit_context(site), board, clock, lambda *late: past.append(late))
    return MqttSource(
        broker,
        made._routes,
        "id",
        board,
        clock,
        lambda *late: past.append(late),
        wire.connect,
    )


def reboiler(value: float, time: float, *, retained: bool = False) -> Message:
    return Message("field/reboiler", json.dumps({"v": value, "t": time}).encode(), retained)


async def test_messages_reach_the_board_as_si(site: Site, board: Board, clock: FakeClock) -> None:
    clock.advance(100)
    values = Message("field/contactor/values", b'{"pressure": 5000, "temperature": 305}')
    wire = Wire([[reboiler(190.0, clock.wall()), values]])
    await run_to_quiet(source_on(wire, site, board, clock, []), wire)
    readings = board.readings("unit-1")
    assert readings["reboiler_temperature"] == Reading(
        near(463.15), Status.GOOD, clock.wall(), clock.monotonic()
    )
    assert readings["contactor_pressure"].value == 5_000_000.0
    assert readings["contactor_temperature"].value == 305.0
    assert board.link("broker").state is LinkState.UP
    assert board.link("broker").last_good == clock.monotonic()


async def test_what_waited_at_the_broker_goes_to_history_in_order(
    site: Site, board: Board, clock: FakeClock
) -> None:
    now = clock.wall()
    past: list[tuple[str, str, Reading]] = []
    waiting = [reboiler(180.0 + n, now - 3600 + 10 * n) for n in range(5)]
    wire = Wire([[*waiting, reboiler(199.0, now)]])
    await run_to_quiet(source_on(wire, site, board, clock, past), wire)
    assert [(unit, signal) for unit, signal, _ in past] == [("unit-1", "reboiler_temperature")] * 5
    assert [reading.time for *_, reading in past] == [now - 3600 + 10 * n for n in range(5)]
    assert all(reading.status is Status.GOOD for *_, reading in past)
    assert board.reading("unit-1", "reboiler_temperature").value == pytest.approx(472.15)


async def test_a_retained_message_replaces_nothing_newer(site: Site, board: Board, clock: FakeClock) -> None:
    now = clock.wall()
    wire = Wire(
        [[reboiler(150.0, now - 20, retained=True), reboiler(190.0, now - 1)]],
        [[reboiler(150.0, now - 20, retained=True), Message("field/reboiler", b"garbage", retained=True)]],
    )
    source = source_on(wire, site, board, clock, [])
    source._shell._sleep = no_sleep([])
    await run_to_quiet(source, wire)
    assert board.reading("unit-1", "reboiler_temperature").value == pytest.approx(463.15)


def no_sleep(pauses: list[float]):  # type: ignore[no-untyped-def]
    async def sleep(seconds: float) -> None:
        pauses.append(seconds)
        await asyncio.sleep(0)

    return sleep


async def test_reconnecting_backs_off_to_the_limit_and_starts_over_after_a_connection(
    site: Site, board: Board, clock: FakeClock
) -> None:
    refused = [LinkError(f"refused {n}") for n in range(9)]
    wire = Wire(*refused, [[reboiler(190.0, clock.wall())]], LinkError("refused again"), [])
    pauses: list[float] = []
    seen: list[tuple[LinkState, str]] = []
    source = source_on(wire, site, board, clock, [])
    shell: Subscribed = source._shell

    async def sleep(seconds: float) -> None:
        link = board.link("broker")
        pauses.append(seconds)
        seen.append((link.state, link.reason))
        await asyncio.sleep(0)

    shell._sleep, shell._spread = sleep, lambda: 0.0
    await run_to_quiet(source, wire)
    assert pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0, 0.5, 1.0]
    assert seen[0] == (LinkState.DOWN, "refused 0")
    assert seen[9] == (LinkState.DOWN, "connection to the broker lost: test")


async def test_dropped_messages_are_counted_and_degrade_the_link(
    site: Site, board: Board, clock: FakeClock
) -> None:
    wire = Wire([[reboiler(1.0, clock.wall())]])
    wire.dropped = 7
    source = source_on(wire, site, board, clock, [])
    await run_to_quiet(source, wire)
    assert source.dropped == 7
    link = board.link("broker")
    assert link.state is LinkState.DEGRADED
    assert link.reason.startswith("7 messages dropped so far, the oldest first")


async def test_a_batch_is_told_to_those_who_wait_for_it(site: Site, board: Board, clock: FakeClock) -> None:
    told: list[int] = []
    board.on_cycle("broker", lambda: told.append(1))
    wire = Wire([[reboiler(1.0, clock.wall())], [reboiler(2.0, clock.wall())]])
    await run_to_quiet(source_on(wire, site, board, clock, []), wire)
    assert told == [1, 1]


def test_routes_are_found_once_and_forgotten_before_they_fill_the_memory() -> None:
    point: Point = Point("u", "s", None, "number")  # type: ignore[arg-type]
    routes = Routes([("a/#", point), ("a/b", point)])
    assert routes.filters == ("a/#", "a/b")
    assert routes.points("a/b") == (point, point)
    for n in range(25_000):
        assert routes.points(f"a/{n}") == (point,)
    assert len(routes._known) <= 10_000
