"""What polling costs: processor time against the bare pymodbus client, and lateness with many controllers.

All figures of one test come from one run against one server process; only their ratios mean anything on a
shared machine, and only ratios are asserted.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import resource
import statistics
import struct
import time
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import cast

import pytest
import structlog
import uvloop
from pymodbus.client import AsyncModbusTcpClient

from config.controllers import ModbusTcp
from config.quantities import Quantity
from config.signals import ModbusSignal
from config.site import Site
from config.units import UnitContext
from daemon.clock import SystemClock
from daemon.model import Quality
from daemon.sources.base import scaling_of
from daemon.sources.board import Board
from daemon.sources.modbus_codec import BlockDecoder
from daemon.sources.modbus_link import ModbusLink
from daemon.sources.modbus_plan import plan_signals
from daemon.sources.modbus_poller import modbus_pollers
from daemon.sources.ticks import Distribution
from tests.support.canned_modbus import canned_server
from tests.support.modbus_rig import controller_toml, signals_toml, tcp
from tests.support.sites import site_with

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

REGISTERS = 60
ROW = 'table = "holding", address = 0, type = "int16", quantity = "number"'
Run = Callable[[int], Awaitable[None]]


def controller(port: int) -> ModbusTcp:
    return ModbusTcp(protocol="modbus-tcp", name="plc", host="127.0.0.1", port=port, addressing="zero-based")


class HandWritten(asyncio.Protocol):
    """The least that a reader with a time-out can be: no check beyond the length."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.WriteTransport", transport)  # uvloop's does not inherit
        self.transaction_id = 0

    def data_received(self, data: bytes) -> None:
        if len(data) == 9 + 2 * REGISTERS and not self.answer.done():
            self.answer.set_result(struct.unpack_from(f">{REGISTERS}H", data, 9))

    async def read(self) -> tuple[int, ...]:
        loop = asyncio.get_running_loop()
        self.transaction_id = self.transaction_id % 0xFFFF + 1
        self.answer: asyncio.Future[tuple[int, ...]] = loop.create_future()
        timer = loop.call_later(1.0, self.answer.cancel)
        self.transport.write(struct.pack(">HHHBBHH", self.transaction_id, 0, 6, 1, 3, 0, REGISTERS))
        try:
            return await self.answer
        finally:
            timer.cancel()


async def hand_written(port: int, count: int) -> float:
    loop = asyncio.get_running_loop()
    transport, reader = await loop.create_connection(HandWritten, "127.0.0.1", port)

    async def run(count: int) -> None:
        for _ in range(count):
            await reader.read()

    used = await cpu_per_request(run, count)
    transport.close()
    return used


async def bare_pymodbus(port: int, count: int) -> float:
    client = AsyncModbusTcpClient("127.0.0.1", port=port)
    await client.connect()

    async def run(count: int) -> None:
        for _ in range(count):
            answer = await client.read_holding_registers(0, count=REGISTERS, device_id=1)
            assert len(answer.registers) == REGISTERS

    used = await cpu_per_request(run, count)
    client.close()
    return used


async def our_link(port: int, count: int) -> float:
    link = ModbusLink(controller(port))
    await link.connect()
    (read,) = plan_signals(controller(port), signals())

    async def run(count: int) -> None:
        for _ in range(count):
            await link.read(read.request)

    used = await cpu_per_request(run, count)
    link.close()
    return used


async def link_and_readings(port: int, count: int) -> float:
    """Read, check, decode 60 signals and scale them to SI: what a poll yields."""
    plc = controller(port)
    link = ModbusLink(plc)
    await link.connect()
    (read,) = plan_signals(plc, signals())
    scalings = {key: scaling_of(key[1], one, UnitContext()) for key, one in signals().items()}
    decoder = BlockDecoder(read, plc, scalings)
    clock = SystemClock()

    async def run(count: int) -> None:
        for _ in range(count):
            data = await link.read(read.request)
            decoder.decode(data, clock.wall(), clock.monotonic())

    used = await cpu_per_request(run, count)
    link.close()
    return used


def signals(count: int = REGISTERS) -> dict[tuple[str, str], ModbusSignal]:
    return {
        ("unit-1", f"s{n}"): ModbusSignal(
            controller="plc", table="holding", address=n, type="int16", quantity=Quantity.NUMBER, scale=0.1
        )
        for n in range(count)
    }


async def cpu_per_request(run: Run, count: int) -> float:
    """Return the processor time of this process per request [s]."""
    await run(count // 10)
    before = time.process_time()
    await run(count)
    return (time.process_time() - before) / count


@pytest.mark.parametrize("loop_name", ["asyncio", "uvloop"])
def test_polling_costs_no_more_than_the_bare_client(loop_name: str) -> None:
    kinds = {
        "hand-written reader": hand_written,
        "bare pymodbus client": bare_pymodbus,
        "our link": our_link,
        "our link and 60 readings": link_and_readings,
    }
    factory = uvloop.new_event_loop if loop_name == "uvloop" else asyncio.new_event_loop
    samples: dict[str, list[float]] = {name: [] for name in kinds}
    with canned_server() as port, asyncio.Runner(loop_factory=factory) as runner:
        for _ in range(5):
            for name, kind in kinds.items():
                samples[name].append(runner.run(kind(port, 2000)))
    medians = {name: statistics.median(values) for name, values in samples.items()}
    bare = medians["bare pymodbus client"]
    print(f"\n{loop_name}: one read of {REGISTERS} registers")
    for name, used in medians.items():
        print(f"  {name:26s} {used * 1e6:6.1f} us CPU  {used / bare:5.2f} x bare client")
    assert medians["our link"] <= 1.0 * bare
    assert medians["our link and 60 readings"] <= 1.15 * bare


def site_of(count: int, port: int) -> Site:
    """Make a site of so many controllers with a unit each, one 60-register read a second."""
    base = site_with(controller_toml(tcp(port)), signals_toml({"a": ROW}))
    controllers, units = [], []
    for number in range(count):
        name = f"plc-{number}"
        controllers.append(
            ModbusTcp(protocol="modbus-tcp", name=name, host="127.0.0.1", port=port, addressing="zero-based")
        )
        own = {key[1]: one.model_copy(update={"controller": name}) for key, one in signals().items()}
        units.append(base.units[0].model_copy(update={"name": f"unit-{number}", "signals": own}))
    return base.model_copy(update={"controllers": tuple(controllers), "units": tuple(units)})


async def poll_for(site: Site, seconds: float) -> dict[str, float]:
    """Poll a site and return what it took, after a warm-up."""
    before_memory = memory()
    board, clock = Board(site, SystemClock()), SystemClock()
    pollers = modbus_pollers(site, board, clock)
    tasks = [asyncio.create_task(poller.run()) for poller in pollers]
    await asyncio.sleep(4.0)
    for poller in pollers:
        poller.statistics.lateness = Distribution()
    cycles, cpu, started = sum(p.statistics.cycles for p in pollers), time.process_time(), time.monotonic()
    await asyncio.sleep(seconds)
    cpu, elapsed = time.process_time() - cpu, time.monotonic() - started
    cycles = sum(p.statistics.cycles for p in pollers) - cycles
    lateness = Distribution.merged(p.statistics.lateness for p in pollers)
    good = sum(
        reading.quality is Quality.GOOD
        for unit in site.units
        for reading in board.readings(unit.name).values()
    )
    result = {
        "cores": cpu / elapsed,
        "cycles a second": cycles / elapsed,
        "skipped": sum(p.statistics.skipped_ticks for p in pollers),
        "p50 ms": 1e3 * lateness.quantile(0.5),
        "p99 ms": 1e3 * lateness.quantile(0.99),
        "max ms": 1e3 * lateness.largest,
        "kB a controller": (memory() - before_memory) / len(pollers) / 1e3,
        "good": good / (REGISTERS * len(pollers)),
    }
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return result


def memory() -> float:
    """Resident memory of this process [bytes]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return float(pages * resource.getpagesize())


@pytest.fixture
def quiet_log() -> Iterator[None]:
    """Keep a thousand lines of "up" out of the figures."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    yield
    structlog.reset_defaults()


@pytest.mark.usefixtures("quiet_log")
@pytest.mark.parametrize("loop_name", ["asyncio", "uvloop"])
def test_lateness_with_many_controllers(loop_name: str) -> None:
    factory = uvloop.new_event_loop if loop_name == "uvloop" else asyncio.new_event_loop
    load = os.getloadavg()[0]
    print(f"\n{loop_name}, load of the machine before {load:.1f}")
    print(f"one read of {REGISTERS} registers a second for each controller, readings in SI")
    results = {}
    with canned_server() as port:
        for count in (10, 50, 100, 300, 1000):
            gc.collect()
            with asyncio.Runner(loop_factory=factory) as runner:
                results[count] = runner.run(poll_for(site_of(count, port), 6.0))
            figures = "  ".join(f"{name} {value:.3g}" for name, value in results[count].items())
            print(f"  {count:5d} controllers: {figures}")
    for count, result in results.items():
        if count <= 300:  # with others at work a thousand may get too little processor time
            assert result["good"] == 1.0
            assert result["cycles a second"] / count > 0.9
    assert results[300]["cores"] / results[100]["cores"] < 4.5  # cost grows as the number does
