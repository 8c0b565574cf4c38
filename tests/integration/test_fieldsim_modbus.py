"""The simulated controllers on a real socket, read by an independent Modbus client."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient
from pyModbusTCP.constants import EXP_ILLEGAL_FUNCTION

from config.controllers import ModbusTcp
from config.signals import ModbusSignal
from daemon.fieldsim.modbus_server import ModbusServer
from daemon.fieldsim.scenarios import Story, Upset, UpsetKind
from daemon.fieldsim.simulator import SimulationEvent, SimulationSettings, Simulator
from tests.support.demo_site import demo_site

HOST = "127.0.0.1"


class Rig:
    """The demonstration site's Modbus controller, stepped by the test instead of by a clock."""

    def __init__(self, story: Story) -> None:
        self.events: list[SimulationEvent] = []
        self.simulator = Simulator(demo_site(), SimulationSettings(story=story, seed=5), self.events.append)
        self.server: ModbusServer = self.simulator.servers["north-plc"]
        self.port = 0

    async def step(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.1)):
            await self.simulator.step(0.1, 1_700_000_000.0)

    async def read(self, method: str, *arguments: object, patience: float = 5.0) -> tuple[Any, int]:
        """Call a method of a fresh independent client; its result and the exception code it got."""

        def call() -> tuple[Any, int]:
            client = ModbusClient(HOST, self.port, timeout=patience, auto_open=True)
            try:
                return getattr(client, method)(*arguments), client.last_except
            finally:
                client.close()

        return await asyncio.to_thread(call)


@contextlib.asynccontextmanager
async def rig(*upsets: Upset) -> AsyncIterator[Rig]:
    made = Rig(Story(name="test", upsets=upsets))
    made.port = await made.server.start(HOST, 0)
    try:
        yield made
    finally:
        await made.server.stop()


def float_at(registers: list[int], place: int) -> float:
    return float(struct.unpack(">f", struct.pack(">HH", *registers[place : place + 2]))[0])


async def test_an_independent_client_reads_what_the_plant_is_doing() -> None:
    async with rig() as field:
        await field.step(2.0)
        registers, _ = await field.read("read_holding_registers", 0, 18)
        state = field.simulator.units[0].state
        assert float_at(registers, 0) == pytest.approx(state.reboiler_temperature * 1.8 - 459.67, abs=1.5)
        assert float_at(registers, 2) == pytest.approx(state.gas_temperature * 1.8 - 459.67, abs=1.5)
        assert float_at(registers[::-1], 8) == pytest.approx(state.outlet_water_content / 1.6018e-5, abs=0.1)
        assert registers[10] / 10.0 == pytest.approx(state.still_top_temperature * 1.8 - 459.67, abs=3.0)
        counters, _ = await field.read("read_input_registers", 0, 2)
        assert counters == [65_516 + state.stroke_count, 2]
        contact, _ = await field.read("read_discrete_inputs", 0, 1)
        assert contact == [state.burner_on]
        assert (await field.read("read_coils", 0, 1))[0] == [False]


async def test_writes_are_refused_with_exception_01_and_counted() -> None:
    async with rig() as field:
        before, _ = await field.read("read_holding_registers", 0, 18)
        for method, arguments in {
            "write_single_coil": (0, True),
            "write_single_register": (0, 1),
            "write_multiple_coils": (0, [True, False]),
            "write_multiple_registers": (0, [1, 2, 3]),
            "write_read_multiple_registers": (0, [1], 0, 1),
        }.items():
            answer, exception = await field.read(method, *arguments)
            assert not answer
            assert exception == EXP_ILLEGAL_FUNCTION, method
        assert (await field.read("read_holding_registers", 0, 18))[0] == before
        assert field.server.function_codes == {3: 2, 5: 1, 6: 1, 15: 1, 16: 1, 23: 1}


async def test_the_stroke_counter_counts_rolls_over_and_is_reset() -> None:
    reset = Upset(kind=UpsetKind.STROKE_COUNTER_RESET, start=90.0, end=91.0)
    async with rig(reset) as field:
        seen: list[int] = []
        for _ in range(100):
            await field.step(1.0)
            registers, _ = await field.read("read_input_registers", 0, 1)
            seen += registers
    jumps = [(a, b) for a, b in itertools.pairwise(seen) if b < a]
    assert jumps[0] == (65_535, 0)
    assert len(jumps) == 2
    assert jumps[1][1] == 0
    strokes = field.simulator.units[0].state.stroke_count
    assert strokes == pytest.approx(100.0 * 18.0 / 60.0, abs=1.5)  # 1.8 times the stall rate of 10 a minute


async def test_a_controller_that_drops_off_refuses_and_comes_back_on_its_port() -> None:
    off = Upset(kind=UpsetKind.CONTROLLER_DROPS_OFF, start=1.0, end=2.0)
    async with rig(off) as field:
        reader, writer = await asyncio.open_connection(HOST, field.port)
        await field.step(1.5)
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""  # the open connection was dropped
        writer.close()
        assert (await field.read("read_coils", 0, 1))[0] is None
        await field.step(1.0)
        assert (await field.read("read_coils", 0, 1))[0] == [False]
        assert [(e.kind, e.text) for e in field.events] == [
            ("upset begins", "controller drops off"),
            ("upset ends", "controller drops off"),
        ]


async def test_a_silent_controller_takes_requests_and_says_nothing() -> None:
    silent = Upset(kind=UpsetKind.CONTROLLER_SILENT, start=0.0, end=60.0)
    async with rig(silent) as field:
        await field.step(0.2)
        assert (await field.read("read_coils", 0, 1, patience=0.3))[0] is None
        assert field.server.function_codes[1] == 1


async def test_a_late_controller_answers_after_its_time() -> None:
    server = ModbusServer({}, lateness=0.25)
    port = await server.start(HOST, 0)
    await server.set_link("late")
    reader, writer = await asyncio.open_connection(HOST, port)
    loop = asyncio.get_running_loop()
    asked = loop.time()
    writer.write(bytes.fromhex("00 07 00 00 00 06 01 03 00 00 00 01"))
    answer = await reader.readexactly(9)
    assert loop.time() - asked >= 0.25
    assert answer == bytes.fromhex("00 07 00 00 00 03 01 83 0B")
    writer.close()
    await server.stop()


@pytest.mark.parametrize(
    "frame", ["00 01 00 05 00 06 01 03 00 00 00 01", "00 01 00 00 00 01 01", "00 01 00 00 FF FF 01"]
)
async def test_what_is_not_modbus_closes_the_connection(frame: str) -> None:
    async with rig() as field:
        reader, writer = await asyncio.open_connection(HOST, field.port)
        writer.write(bytes.fromhex(frame))
        assert await reader.read() == b""
        writer.close()
        assert (await field.read("read_coils", 0, 1))[0] == [False]


async def test_requests_may_come_in_pieces_and_together() -> None:
    async with rig() as field:
        reader, writer = await asyncio.open_connection(HOST, field.port)
        request = bytes.fromhex("00 01 00 00 00 06 01 01 00 00 00 01")
        for byte in request:
            writer.write(bytes([byte]))
            await writer.drain()
        writer.write(request * 3)
        answer = bytes.fromhex("00 01 00 00 00 04 01 01 01 00")
        assert await reader.readexactly(4 * len(answer)) == answer * 4
        writer.close()


async def test_the_same_seed_puts_the_same_words_on_the_wire() -> None:
    async def words(seed: int) -> list[object]:
        settings = SimulationSettings(story=Story(name="x", time_factor=20.0), seed=seed)
        simulator = Simulator(demo_site(), settings, lambda _: None)
        for _ in range(50):
            await simulator.step(0.1, 0.0)
        return [dict(unit.panel.shown) for unit in simulator.units]

    assert await words(1) == await words(1)
    assert await words(1) != await words(2)


def test_the_demo_site_covers_every_kind_of_register() -> None:
    site = demo_site()
    signals = [one for one in site.units[0].signals.values() if isinstance(one, ModbusSignal)]
    assert len(signals) == len(site.units[0].signals)
    assert isinstance(site.controllers[0], ModbusTcp)
    assert {signal.table for signal in signals} == {"holding", "input", "coil", "discrete"}
    assert {"float32", "int16", "uint16", "bool"} <= {signal.type for signal in signals}
