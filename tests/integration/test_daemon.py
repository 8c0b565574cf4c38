"""The whole daemon as its own process, against Modbus servers that are not ours."""

from __future__ import annotations

import asyncio
import json
import struct
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from tests.support.brokers import free_port
from tests.support.daemon_process import command_json, run_command, running_daemon
from tests.support.recording_modbus import RecordingModbusServer

pytestmark = pytest.mark.timeout(120)

SITE = """
schema_version = 1
[site]
name = "test-site"
barometric_pressure = "14.696 psia"
unit_system = "us"
[site.pipeline_limit]
water_content = "7 lb/MMscf"
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
scan_period = "200 ms"
timeout = "300 ms"
reconnect_delay_max = "1 s"
[[units]]
name = "unit-1"
scan_period = "200 ms"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "375 degF"
[[units.pumps]]
name = "p-1"
displacement = "0.02 gal"
stall_rate = "8 /min"
maximum_rate = "40 /min"
volumetric_efficiency = 1.0
[units.signals.reboiler_temperature]
controller = "plc"
table = "holding"
address = 0
type = "float32"
unit = "degF"
range = [0, 500]
[units.signals.contactor_temperature]
controller = "plc"
table = "holding"
address = 2
type = "float32"
unit = "degF"
range = [0, 200]
[units.signals.contactor_pressure]
controller = "plc"
table = "holding"
address = 4
type = "float32"
unit = "psig"
range = [0, 1500]
[units.signals.gas_rate]
controller = "plc"
table = "input"
address = 0
type = "float32"
word_order = "low word first"
unit = "MMscfd"
range = [0, 20]
[units.signals.stroke_rate]
controller = "plc"
table = "holding"
address = 6
type = "uint16"
scale = 0.1
unit = "/min"
range = [0, 60]
[units.signals.burner_on]
controller = "plc"
table = "discrete"
address = 3
type = "bool"
[alarms.reboiler_temperature_high]
on_delay = "400 ms"
off_delay = "400 ms"
"""
HIGH = "reboiler_temperature_high"


def words(value: float) -> list[int]:
    return list(struct.unpack(">HH", struct.pack(">f", value)))


@dataclass
class Plant:
    """Registers of an independent server, in the field units of the site file."""

    bank: DataBank
    port: int

    def put(self, *, reboiler: float = 375.0, temperature: float = 90.0, strokes: float = 12.0) -> None:
        pressure, gas = 900.0, 5.0
        registers = [*words(reboiler), *words(temperature), *words(pressure), round(strokes * 10)]
        self.bank.set_holding_registers(0, registers)
        self.bank.set_input_registers(0, words(gas)[::-1])
        self.bank.set_discrete_inputs(3, [True])


@pytest.fixture
def plant() -> Iterator[Plant]:
    port = free_port()
    server = ModbusServer("127.0.0.1", port, no_block=True)
    server.start()
    plant = Plant(server.data_bank, port)
    plant.put()
    yield plant
    with suppress(ValueError):
        server.stop()


async def test_values_go_from_registers_to_results(plant: Plant, tmp_path: Path) -> None:
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        margin = await daemon.until(
            lambda: daemon.value("dew_point_margin"), lambda value: value["value"] is not None
        )
        assert margin["uncertainty"] > 0
        shown = {value["name"]: value for value in (await daemon.unit())["signals"]}
        assert shown["reboiler_temperature"]["value"] == pytest.approx(375.0, abs=1e-3)
        assert shown["contactor_pressure"]["value"] == pytest.approx(900.0, abs=1e-3)
        assert shown["gas_rate"]["value"] == pytest.approx(5.0, rel=1e-6)
        assert shown["burner_on"]["value"] == 1.0
        # 12 strokes a minute of 0.02 gal: 14.4 gal/h, by arithmetic.
        assert (await daemon.value("circulation_rate"))["value"] == pytest.approx(14.4, rel=1e-6)
        # 90 degF, 914.7 psia: 47.4 lb/MMscf by ASTM D1142's A/P + B with A = 33200, B = 11.9
        # (table values from memory, medium); the tolerance covers the table's rounding and the memory.
        water = await daemon.value("saturated_water_content")
        assert water["value"] == pytest.approx(33200 / 914.7 + 11.9, rel=0.03)
        assert await daemon.stop() == 0


async def test_an_alarm_comes_is_acknowledged_and_goes(plant: Plant, tmp_path: Path) -> None:
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "NORM")
        plant.put(reboiler=400.0)
        raised = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
        assert "400" in raised["message"]
        assert raised["response"]
        assert raised["consequence"]

        site = str(tmp_path / "site.toml")
        explained = await command_json("alarms", "explain", site, HIGH, "--json")
        assert (explained["occurrence"], explained["state"]) == (raised["occurrence"], "UNACK")
        assert explained["definition"].startswith("reboiler temperature: above ")
        known, output, _ = await run_command("alarms", "explain", site, "unit-1", HIGH)
        assert known == 0
        assert raised["response"] in output  # on one line: it is no terminal
        misspelt, _, errors = await run_command("alarms", "explain", site, "unit-1", HIGH + "s")
        assert (misspelt, f"did you mean {HIGH}?" in errors) == (1, True)
        own = await command_json("alarms", "explain", site, "daemon", "disk_low", "--json")
        assert own["alarm_class"] == "system"
        refused, _, errors = await run_command(
            "alarms", "acknowledge", site, "unit-1", HIGH, "--occurrence", "another"
        )
        assert refused == 5
        assert raised["occurrence"] in errors
        done, output, _ = await run_command(
            "alarms", "acknowledge", site, "unit-1", HIGH, "--as", "kim", "--comment", "seen"
        )
        assert done == 0
        assert "UNACK -> ACKED" in output
        again, output, _ = await run_command("alarms", "acknowledge", site, "unit-1", HIGH, "--as", "kim")
        assert again == 0
        assert "nothing changed" in output

        plant.put(reboiler=375.0)
        await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "NORM")
        listed = await command_json("alarms", "list", site, "--json")
        assert not [alarm for alarm in listed if alarm["alarm"] == HIGH]


async def test_shelving_hides_and_ends(plant: Plant, tmp_path: Path) -> None:
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "NORM")
        site = str(tmp_path / "site.toml")
        no_reason, _, _ = await run_command("alarms", "shelve", site, "unit-1", HIGH)
        nothing_to_return, _, errors = await run_command(
            "alarms", "shelve", site, "unit-1", HIGH, "--until-return", "--reason", "x"
        )
        assert (nothing_to_return, "is gone already" in errors) == (5, True)
        too_long, _, errors = await run_command(
            "alarms", "shelve", site, "unit-1", HIGH, "--for", "90 h", "--reason", "x"
        )
        assert no_reason == 2
        assert too_long == 5, errors
        done, _, errors = await run_command(
            "alarms", "shelve", site, "unit-1", HIGH, "--for", "1 s", "--reason", "thermometer swap"
        )
        assert done == 0, errors
        plant.put(reboiler=400.0)
        # It always comes back by itself: a new occurrence, since the condition is true.
        raised = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
        assert raised["occurrence"]


async def test_kill_at_any_moment_forgets_no_alarm_and_raises_none_twice(
    plant: Plant, tmp_path: Path
) -> None:
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        plant.put(reboiler=400.0)
        raised = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
        answer = await daemon.post(
            f"/v1/alarms/unit-1/{HIGH}/acknowledge", {"actor": "kim", "occurrence": raised["occurrence"]}
        )
        assert answer.status_code == 200
        await daemon.kill()

    async with running_daemon(tmp_path) as daemon:
        assert daemon.started_in < 10.0  # the budget from a kill to alarming again
        kept = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "ACKED")
        assert kept["occurrence"] == raised["occurrence"]
        await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 10)
        assert (await daemon.alarm(HIGH))["state"] == "ACKED"
        await daemon.stop()

    history = await command_json(
        "history", str(tmp_path / "site.toml"), "--records", "--format", "json", "--from", "-1h"
    )
    steps = [record["change"] for record in history if record["name"] == HIGH]
    assert steps == ["NORM -> UNACK (condition true)", "UNACK -> ACKED (acknowledged)"]


async def test_a_lost_controller_is_one_alarm_and_its_values_turn_bad(tmp_path: Path) -> None:
    server = RecordingModbusServer()
    for address, register in enumerate([*words(375.0), *words(90.0), *words(900.0), 120]):
        server.tables["holding"][address] = register
    for address, register in enumerate(words(5.0)[::-1]):
        server.tables["input"][address] = register
    async with server, running_daemon(tmp_path, SITE.format(port=server.port)) as daemon:
        await daemon.until(lambda: daemon.value("dew_point_margin"), lambda value: value["value"] is not None)

        await server.stop()
        lost = await daemon.until(
            lambda: daemon.value("reboiler_temperature"), lambda value: value["quality"] == "bad"
        )
        assert lost["value"] is None
        assert lost["reason"]
        margin = await daemon.value("dew_point_margin")
        assert margin["value"] is None
        await daemon.until(
            lambda: daemon.get("/v1/alarms"),
            lambda alarms: (
                [alarm["alarm"] for alarm in alarms if alarm["annunciated"]] == ["controller_lost.plc"]
            ),
        )

        await server.start()
        back = await daemon.until(
            lambda: daemon.value("reboiler_temperature"), lambda value: value["quality"] == "good"
        )
        assert back["value"] == pytest.approx(375.0, abs=1e-3)
        await daemon.stop()
    assert server.function_codes <= {1, 2, 3, 4}
    assert {2, 3, 4} <= server.function_codes


@pytest.fixture
async def stream(plant: Plant, tmp_path: Path) -> AsyncIterator[asyncio.Queue[tuple[str, dict[str, object]]]]:
    """Events of a running daemon's stream."""
    queue: asyncio.Queue[tuple[str, dict[str, object]]] = asyncio.Queue()
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:

        async def follow() -> None:
            name = ""
            async with daemon.client.stream("GET", "/v1/stream", timeout=None) as response:
                async for line in response.aiter_lines():
                    if line.startswith("event: "):
                        name = line.removeprefix("event: ")
                    elif line.startswith("data: "):
                        await queue.put((name, json.loads(line.removeprefix("data: "))))

        task = asyncio.create_task(follow())
        yield queue
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def test_the_stream_tells_scans_and_alarms_in_order(
    plant: Plant, stream: asyncio.Queue[tuple[str, dict[str, object]]]
) -> None:
    plant.put(reboiler=400.0)
    sequences: list[object] = []
    async with asyncio.timeout(20):
        while True:
            name, body = await stream.get()
            if name == "unit":
                sequences.append(body["sequence"])
            if name == "alarm" and body["alarm"] == HIGH:
                break

    assert body["state"] == "UNACK"
    assert sequences == sorted(sequences)  # type: ignore[type-var]  # they are numbers
    assert len(set(map(str, sequences))) == len(sequences)
