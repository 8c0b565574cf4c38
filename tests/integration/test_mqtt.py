"""MQTT source and sink over real sockets and a broker inside this process."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator

import pytest

from config.loader import unit_context
from config.sinks import MqttSink as MqttSettings
from config.site import Site
from config.units import UnitContext, display_units
from daemon.clock import SystemClock
from daemon.model import LinkState, Reading, Status
from daemon.mqtt_link import LinkError, Subscriber
from daemon.sinks.documents import Wording
from daemon.sinks.mqtt import MqttSink
from daemon.sinks.runner import SinkHealth, SinkRunner
from daemon.sources.board import Board
from daemon.sources.mqtt_source import MqttSource, mqtt_source
from tests.support.brokers import Cable, embedded_broker
from tests.support.journals import MemoryJournal, alarm
from tests.support.mqtt import BoardWatch, Listener, publish, running, value
from tests.support.narrow import near
from tests.support.sites import site_with

SIGNALS = """
[units.signals.reboiler_temperature]
controller = "broker"
topic = "field/reboiler"
payload = "json"
path = "v"
time_path = "t"
time_format = "epoch s"
unit = "degC"
"""
CLOCK = SystemClock()


def site_on(port: int, more: str = "") -> Site:
    broker = f'[[controllers]]\nname = "broker"\nprotocol = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n{more}'
    return site_with(broker, SIGNALS)


def source_on(site: Site, board: Board, past: list[Reading]) -> MqttSource:
    broker = site.controllers[0]
    context = unit_context(site)
    return mqtt_source(site, broker, context, board, CLOCK, lambda unit, name, reading: past.append(reading))  # type: ignore[arg-type]


def sink_on(port: int, **more: object) -> MqttSink:
    keys = {"kind": "mqtt", "name": "control-room", "host": "127.0.0.1", "port": port, **more}
    return MqttSink(
        MqttSettings.model_validate(keys), Wording("north", display_units("us", UnitContext()), {}), CLOCK
    )


@pytest.fixture
async def broker() -> AsyncIterator[int]:
    async with embedded_broker() as port:
        yield port


async def test_a_published_value_is_on_the_board(broker: int) -> None:
    site = site_on(broker)
    board = Board(site, CLOCK)
    watch = BoardWatch(board, "broker")
    async with running(source_on(site, board, []).run()):
        await watch_up(broker, board, watch)
        reading = board.reading("unit-1", "reboiler_temperature")
        assert (reading.value, reading.status) == (near(463.15), Status.GOOD)
        assert board.link("broker").state is LinkState.UP


async def watch_up(port: int, board: Board, watch: BoardWatch) -> None:
    """Publish until it arrives: nothing tells a test when another client's subscription stands."""

    def arrived() -> bool:
        return board.reading("unit-1", "reboiler_temperature").value == pytest.approx(463.15)

    for _ in range(50):
        await publish(port, ("field/reboiler", value(190.0, time.time())))
        try:
            await watch.until(arrived, seconds=0.2)
        except TimeoutError:
            continue
        return
    raise AssertionError("nothing arrived")


async def test_a_cut_connection_is_seen_at_once_and_found_again(broker: int) -> None:
    cable = Cable(broker)
    await cable.mend()
    site = site_on(cable.port)
    board = Board(site, CLOCK)
    watch = BoardWatch(board, "broker")
    source = source_on(site, board, [])
    pauses: asyncio.Queue[LinkState] = asyncio.Queue()
    resume = asyncio.Event()

    async def pause_until_mended(seconds: float) -> None:
        pauses.put_nowait(board.link("broker").state)
        await resume.wait()

    source._shell._sleep = pause_until_mended
    async with running(source.run()):
        await watch_up(broker, board, watch)
        await cable.cut()
        assert await pauses.get() is LinkState.DOWN
        assert "lost" in board.link("broker").reason
        board.put("unit-1", "reboiler_temperature", Reading(0.0, Status.GOOD, 0.0, 0.0))
        await cable.mend()
        resume.set()
        await watch_up(broker, board, watch)
        assert board.link("broker").state is LinkState.UP
    await cable.cut()


async def test_alarms_arrive_retained_and_streamed_once_each_in_order(broker: int) -> None:
    journal = MemoryJournal(*(alarm(n) for n in range(1, 51)))
    listener = Listener(broker, "tegwatch/#")
    async with running(listener.run()):
        await listener.subscribed.wait()
        async with running(SinkRunner(sink_on(broker), journal, CLOCK).run()):
            await listener.until(lambda: len(listener.payloads("tegwatch/north/event")) >= 50)
        await listener.until(lambda: listener.payloads("tegwatch/north/status")[-1] == b"offline")
    streamed = [json.loads(payload) for payload in listener.payloads("tegwatch/north/event")]
    assert [document["sequence"] for document in streamed] == list(range(1, 51))
    assert len({document["id"] for document in streamed}) == 50
    assert listener.payloads("tegwatch/north/status")[0] == b"online"
    assert listener.payloads("tegwatch/north/heartbeat")
    assert journal.cursors["control-room"] == 50
    topic = "tegwatch/north/unit-1/alarm/reboiler_high"
    later = Listener(broker, topic)
    async with running(later.run()):
        await later.until(lambda: bool(later.payloads(topic)))
    (retained,) = [message for message in later.messages if message[0] == topic]
    assert json.loads(retained[1])["sequence"] == 50
    assert retained[2], "not marked as retained"


async def test_a_broker_that_is_not_there_costs_nothing_but_lag(broker: int) -> None:
    cable = Cable(broker)  # not connected yet: refused like a broker that is down
    journal = MemoryJournal(*(alarm(n) for n in range(1, 6)))
    failing: asyncio.Queue[SinkHealth] = asyncio.Queue()
    resume = asyncio.Event()

    async def pause_until_mended(seconds: float) -> None:
        await resume.wait()
        await asyncio.sleep(min(seconds, 0.05))

    runner = SinkRunner(sink_on(cable.port), journal, CLOCK, failing.put_nowait, sleep=pause_until_mended)
    listener = Listener(broker, "tegwatch/north/event")
    async with running(runner.run(), listener.run()):
        assert "cannot connect to the broker" in (await failing.get()).last_error
        await listener.subscribed.wait()
        await cable.mend()
        resume.set()
        await listener.until(lambda: len(listener.messages) >= 5)
        assert (await failing.get()).failing_since is None
    await cable.cut()
    assert [json.loads(payload)["sequence"] for _, payload, _ in listener.messages] == [1, 2, 3, 4, 5]


async def test_a_refused_subscription_is_told(broker: int, monkeypatch: pytest.MonkeyPatch) -> None:
    async def refuse_second(*_: object, **__: object) -> tuple[int, ...]:
        return 1, 128  # MQTT 3.1.1, section 3.9.3: 0x80 is failure

    monkeypatch.setattr("aiomqtt.Client.subscribe", refuse_second)
    settings = site_on(broker).controllers[0]
    with pytest.raises(LinkError, match="refused the subscription to secret/x"):
        async with Subscriber(settings, "id", ["allowed/x", "secret/x"], persistent=False):  # type: ignore[arg-type]
            raise AssertionError("subscribed all the same")
