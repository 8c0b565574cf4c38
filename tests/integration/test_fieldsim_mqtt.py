"""The simulated field device on a real broker, heard by a plain subscriber."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import gc
import json
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

from daemon.fieldsim.mqtt_publisher import MqttPublisher
from daemon.fieldsim.scenarios import Story, Upset, UpsetKind
from daemon.fieldsim.simulator import SimulationEvent, SimulationSettings, Simulator, run_simulator
from tests.support.brokers import embedded_broker, real_broker
from tests.support.demo_site import demo_site


@pytest.fixture(autouse=True, scope="module")
def leftovers_of_the_embedded_broker() -> Iterator[None]:
    """The embedded broker leaves the stream of a client that was stopped to the garbage collector."""
    yield
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


async def heard(port: int, topics: set[str]) -> dict[str, str]:
    """Listen until every topic has been heard once."""
    found: dict[str, str] = {}
    async with asyncio.timeout(15), aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("field/#", qos=1)
        async for message in client.messages:
            found[str(message.topic)] = bytes(message.payload).decode()
            if topics <= found.keys():
                break
    return found


TOPICS = {"field/south/process", "field/south/pump", "field/south/surge_level", "field/south/filter_dp"}


async def test_a_running_simulator_publishes_json_and_plain_numbers_with_the_time_of_measurement() -> None:
    events: list[SimulationEvent] = []
    async with embedded_broker() as port:
        settings = SimulationSettings(free_ports=True)
        running = asyncio.create_task(run_simulator(demo_site(mqtt_port=port), settings, events.append))
        found = await heard(port, TOPICS)
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    process = json.loads(found["field/south/process"])
    assert 375.0 < process["values"]["reboiler"] < 405.0
    assert process["states"] in ([0, 0], [1, 0])
    stamp = datetime.datetime.fromisoformat(process["time"])
    assert abs(stamp.timestamp() - time.time()) < 20.0
    assert json.loads(found["field/south/pump"])["strokes"] >= 65_516
    assert 20.0 < float(found["field/south/surge_level"]) < 80.0
    listening = [event for event in events if event.kind == "listening"]
    assert [event.subject for event in listening] == ["north-plc"]
    assert listening[0].port not in {None, 0, 15020}


async def test_a_simulation_ends_after_its_duration_and_tells_its_upsets() -> None:
    events: list[SimulationEvent] = []
    burner = Upset(kind=UpsetKind.BURNER_OUT, start=0.3, end=0.6)
    settings = SimulationSettings(story=Story(name="x", upsets=(burner,)), duration=1.0, free_ports=True)
    async with embedded_broker() as port:
        await asyncio.wait_for(run_simulator(demo_site(mqtt_port=port), settings, events.append), 20.0)
    told = [(event.kind, event.subject, event.text) for event in events if "upset" in event.kind]
    assert told == [("upset begins", "north", "burner out"), ("upset ends", "north", "burner out")]


async def test_a_device_that_drops_off_publishes_nothing_until_it_is_back() -> None:
    off = Upset(kind=UpsetKind.CONTROLLER_DROPS_OFF, unit=2, start=0.1, end=5.0)
    async with embedded_broker() as port:
        reached = asyncio.Event()
        simulator = Simulator(
            demo_site(mqtt_port=port),
            SimulationSettings(story=Story(name="x", upsets=(off,))),
            lambda event: reached.set() if event.kind == "link" else None,
        )
        publisher: MqttPublisher = simulator.publishers["field-broker"]
        running = asyncio.create_task(publisher.run())
        await heard(port, TOPICS)
        await simulator.step(0.2, time.time())  # off from here
        while publisher.published % len(TOPICS):  # noqa: ASYNC110 - a round that has begun; nothing tells its end
            await asyncio.sleep(0.01)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(2.5 * publisher.period):
                await heard_after(port, publisher.published)
        reached.clear()
        await simulator.step(5.0, time.time())  # and on again
        await asyncio.wait_for(reached.wait(), 20.0)
        await heard(port, TOPICS)
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running


async def heard_after(port: int, published: int) -> None:
    """Listen; fail at a message after one of our own, before which those come that were still under way."""
    marked = False
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("field/#", qos=1)
        await client.publish("field/mark", "", qos=1)
        async for message in client.messages:
            assert not marked, f"{message.topic} after {published} messages"
            marked = str(message.topic) == "field/mark"


@pytest.mark.slow
async def test_a_device_comes_back_when_its_broker_does(tmp_path: Path) -> None:
    told: list[str] = []
    async with real_broker(tmp_path) as broker:
        simulator = Simulator(
            demo_site(mqtt_port=broker.port), SimulationSettings(), lambda event: told.append(event.text)
        )
        running = asyncio.create_task(simulator.publishers["field-broker"].run())
        await heard(broker.port, TOPICS)
        await broker.stop()
        await broker.start()
        await heard(broker.port, TOPICS)
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
    assert any("lost" in text for text in told)
