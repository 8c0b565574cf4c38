"""The whole daemon as its own process on a real broker: values in, alarms out, killed and back."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from tests.support.brokers import real_broker
from tests.support.daemon_process import running_daemon
from tests.support.mqtt import Listener, publish, running

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

SITE = """
schema_version = 1
[site]
name = "test-site"
barometric_pressure = "101.325 kPa"
unit_system = "si"
[site.pipeline_limit]
dew_point = "-8 degC"
pressure = "70 bara"
[[controllers]]
name = "field"
protocol = "mqtt"
host = "127.0.0.1"
port = {port}
expected_period = "60 s"
[[units]]
name = "unit-1"
scan_period = "200 ms"
[units.gas]
specific_gravity = 0.65
[units.contactor]
theoretical_stages = 2.0
[units.reboiler]
set_point = "190 degC"
[[units.pumps]]
name = "p-1"
displacement = "80 cm3"
stall_rate = "8 /min"
maximum_rate = "40 /min"
[units.signals.reboiler_temperature]
controller = "field"
topic = "field/reboiler"
payload = "json"
path = "values[0].t"
time_path = "at"
time_format = "epoch ms"
unit = "degC"
range = [0, 260]
[units.signals.surge_level]
controller = "field"
topic = "field/level"
unit = "%"
range = [0, 100]
[alarms.reboiler_temperature_high]
on_delay = "400 ms"
off_delay = "400 ms"
[[sinks]]
kind = "mqtt"
name = "control-room"
host = "127.0.0.1"
port = {port}
prefix = "plant/tegwatch"
"""
HIGH = "reboiler_temperature_high"
STATE = f"plant/tegwatch/test-site/unit-1/alarm/{HIGH}"
STATUS = "plant/tegwatch/test-site/status"
EVENTS = "plant/tegwatch/test-site/event"


async def measure(port: int, reboiler: float) -> None:
    """Publish as the field does: one value as JSON with the source's time, one as a plain number."""
    body = {"at": round(time.time() * 1000), "values": [{"t": reboiler}]}
    await publish(port, ("field/reboiler", json.dumps(body).encode()), ("field/level", b"48.5"))


def states(listener: Listener) -> list[dict[str, Any]]:
    return [json.loads(payload) for payload in listener.payloads(STATE) if payload]


async def test_values_in_alarms_out_and_a_kill_between(tmp_path: Path) -> None:
    async with real_broker(tmp_path) as broker:
        listener = Listener(broker.port, "#")
        async with running(listener.run()):
            await listener.subscribed.wait()
            async with running_daemon(tmp_path, SITE.format(port=broker.port)) as daemon:
                await listener.until(lambda: b"online" in b"".join(listener.payloads(STATUS)))
                await measure(broker.port, 190.0)
                shown = await daemon.until(
                    lambda: daemon.value("reboiler_temperature"), lambda value: value["quality"] == "good"
                )
                assert shown["value"] == pytest.approx(190.0)
                assert (await daemon.value("surge_level"))["value"] == pytest.approx(48.5)

                await measure(broker.port, 205.0)
                await listener.until(lambda: bool(states(listener)))
                raised = states(listener)[-1]
                assert raised["state"] == "UNACK"
                assert {"id", "sequence", "time", "occurrence"} <= raised.keys()
                await daemon.kill()
            # The broker itself says that the daemon is gone: its will.
            await listener.until(lambda: b"offline" in listener.payloads(STATUS)[-1])

            async with running_daemon(tmp_path) as daemon:
                await listener.until(lambda: b"online" in listener.payloads(STATUS)[-1])
                kept = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: bool(alarm["occurrence"]))
                assert kept["occurrence"] == raised["occurrence"]
                await measure(broker.port, 190.0)
                await listener.until(lambda: states(listener)[-1]["state"] == "RTNUN")
                assert await daemon.stop() == 0
            await listener.until(lambda: b"offline" in listener.payloads(STATUS)[-1])

        streamed = [json.loads(payload) for payload in listener.payloads(EVENTS)]
        ours = [body for body in streamed if body.get("alarm") == HIGH]
        assert list(dict.fromkeys(body["state"] for body in ours)) == ["UNACK", "RTNUN"]
        # At least once, in order, each repeat with the id of its first delivery.
        sequences = [body["sequence"] for body in streamed]
        assert list(dict.fromkeys(sequences)) == sorted(set(sequences))
        assert len({body["id"] for body in streamed}) == len(set(sequences))
        # Nothing but the field's own topics and our prefix was ever published.
        topics = {name for name, _, _ in listener.messages}
        assert all(name.startswith(("field/", "plant/tegwatch/test-site/")) for name in topics)


async def test_a_broker_that_restarts_costs_time_and_nothing_else(tmp_path: Path) -> None:
    async with (
        real_broker(tmp_path) as broker,
        running_daemon(tmp_path, SITE.format(port=broker.port)) as daemon,
    ):
        await daemon.until(
            lambda: daemon.get("/v1/health"),
            lambda health: all(link["state"] == "up" for link in health["links"]),
        )
        await broker.stop()
        lost = await daemon.until(
            lambda: daemon.alarm("controller_lost.field"), lambda alarm: alarm["state"] == "UNACK"
        )
        assert lost["reason"] or lost["message"]
        await broker.start()

        async def again() -> dict[str, Any]:
            await measure(broker.port, 191.0)
            return await daemon.value("reboiler_temperature")

        back = await daemon.until(again, lambda value: value["quality"] == "good")
        assert back["value"] == pytest.approx(191.0)
        listener = Listener(broker.port, STATE.rsplit("/", 1)[0] + "/+")
        async with running(listener.run()):
            # What happened while the broker was away arrives afterwards.
            name = "controller_lost.field"
            await listener.until(lambda: any(topic.endswith(name) for topic, _, _ in listener.messages), 60.0)
        await daemon.stop()
