"""A Sparkplug edge node over real sockets: born, talking, dying; nothing is ever asked of it."""

from __future__ import annotations

import asyncio
import time

import aiomqtt

from config.controllers import SparkplugBroker
from config.loader import unit_context
from daemon.clock import SystemClock
from daemon.model import Status
from daemon.sources.board import Board
from daemon.sources.sparkplug_source import sparkplug_source
from tests.support.brokers import embedded_broker
from tests.support.mqtt import BoardWatch, Listener, running
from tests.support.narrow import near
from tests.support.sites import site_with
from tests.support.sparkplug import birth, death, metric, payload

SIGNALS = """
[units.signals.reboiler_temperature]
controller = "edge-broker"
edge_node = "edge"
metric = "temperature"
unit = "degC"
"""


def broker_at(port: int) -> str:
    return f"""
[[controllers]]
name = "edge-broker"
protocol = "sparkplug-b"
host = "127.0.0.1"
port = {port}
group_id = "field"
"""


async def test_an_edge_node_from_birth_to_death() -> None:
    async with embedded_broker() as port:
        site, clock = site_with(broker_at(port), SIGNALS), SystemClock()
        board = Board(site, clock)
        watch = BoardWatch(board, "edge-broker")
        (controller,) = site.controllers
        assert isinstance(controller, SparkplugBroker)
        source = sparkplug_source(site, controller, unit_context(site), board, clock, lambda *_: None)
        everything = Listener(port, "#")

        def known() -> tuple[float | None, Status]:
            reading = board.reading("unit-1", "reboiler_temperature")
            return reading.value, reading.status

        async with running(source.run(), everything.run()):
            await everything.subscribed.wait()
            will = aiomqtt.Will("spBv1.0/field/NDEATH/edge", death(0), qos=1)
            async with aiomqtt.Client("127.0.0.1", port, will=will) as node:
                for _ in range(100):  # nothing tells a test when another client's subscription stands
                    told = birth(metric("temperature", 190.0, alias=1), time=time.time())
                    await node.publish("spBv1.0/field/NBIRTH/edge", told)
                    try:
                        await watch.until(lambda: known() == (near(463.15), Status.GOOD), 0.2)
                    except TimeoutError:
                        continue
                    break
                data = payload(metric(alias=1, value=200.0, datatype=None), seq=1)
                await node.publish("spBv1.0/field/NDATA/edge", data)
                await watch.until(lambda: known() == (near(473.15), Status.GOOD))
                # As the kernel does for a node that lost power: no MQTT good-bye, so the will is published.
                node._client.socket().shutdown(2)  # type: ignore[union-attr]  # a plain socket of a live connection
                stale = Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
                await watch.until(lambda: known() == (near(473.15), stale))
                await asyncio.wait([node._disconnected])
                assert node._disconnected.exception() is not None
        assert {topic.split("/")[2] for topic, *_ in everything.messages} == {"NBIRTH", "NDATA", "NDEATH"}
