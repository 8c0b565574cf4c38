"""Servers written by others, over TCP, RTU over TCP and a serial line: what they hold is what is read."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator, Iterator, Mapping
from pathlib import Path

import pytest
from pymodbus import ModbusDeviceIdentification
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pyModbusTCP.server import ModbusServer  # type: ignore[import-untyped] # it has no types

from config.controllers import ModbusRtuOverTcp, ModbusSerial, ModbusTcp
from config.modbus_map import Table
from daemon.model import LinkState
from daemon.sources.modbus_faults import FaultKind, ReadError
from daemon.sources.modbus_frames import ReadRequest
from daemon.sources.modbus_link import ModbusController, ModbusLink
from tests.support.modbus_rig import running, tcp
from tests.support.modbus_values import registers_of
from tests.support.pty_pair import serial_line

SOURCE = Path(__file__).parent.parent / "data" / "libmodbus_server.c"
NUMBER = 'quantity = "number"'


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def registers(data: bytes) -> list[int]:
    return [int.from_bytes(data[start : start + 2], "big") for start in range(0, len(data), 2)]


@contextlib.contextmanager
def pymodbustcp() -> Iterator[ModbusServer]:
    server = ModbusServer("127.0.0.1", free_port(), no_block=True)
    server.start()
    try:
        yield server
    finally:
        server.stop()


TYPES: Mapping[str, tuple[float, str, str]] = {
    "s0": (-123.0, "int16", ""),
    "s1": (-70_000.0, "int32", 'word_order = "low word first"'),
    "s2": (3_000_000_000.0, "uint32", ""),
    "s3": (-(2.0**40), "int64", 'byte_order = "low byte first"'),
    "s4": (1.5, "float32", 'word_order = "low word first", byte_order = "low byte first"'),
    "s5": (-2.25e-3, "float64", 'word_order = "low word first"'),
    "s6": (9876.0, "bcd16", ""),
    "s7": (12_345_678.0, "bcd32", ""),
}


async def test_every_type_and_order_is_read_from_pymodbustcp() -> None:
    rows: dict[str, str] = {}
    words: list[int] = []
    for name, (value, kind, orders) in TYPES.items():
        more = f", {orders}" if orders else ""
        rows[name] = f'table = "holding", address = {len(words)}, type = "{kind}", {NUMBER}{more}'
        word_order = "low word first" if "low word" in orders else "high word first"
        byte_order = "low byte first" if "low byte" in orders else "high byte first"
        words += registers_of(kind, value, word_order, byte_order)
    rows["bit"] = 'table = "discrete", address = 7, type = "bool", quantity = "state"'
    with pymodbustcp() as server:
        server.data_bank.set_holding_registers(0, words)
        server.data_bank.set_discrete_inputs(7, [True])
        async with running(tcp(server.port), rows) as rig:
            await rig.until_good()
            await rig.until(lambda: rig.link().state is LinkState.UP)
            got = {name: reading.value for name, reading in rig.readings.items()}
            assert got.pop("bit") == 1.0
            assert got == {name: value for name, (value, _, _) in TYPES.items()}


async def test_pymodbustcp_refuses_an_address_that_it_does_not_have() -> None:
    with pymodbustcp() as server:
        link = ModbusLink(
            ModbusTcp(
                protocol="modbus-tcp", name="plc", host="127.0.0.1", port=server.port, addressing="zero-based"
            )
        )
        await link.connect()
        with pytest.raises(ReadError, match="illegal data address") as caught:
            await link.read(ReadRequest(1, "holding", 65_535, 2))
        assert caught.value.kind is FaultKind.REFUSED
        assert registers(await link.read(ReadRequest(1, "holding", 0, 125))) == [0] * 125
        link.close()


def simulated() -> list[SimDevice]:
    values = [number * 7 for number in range(200)]
    return [SimDevice(id=1, simdata=[SimData(0, values=values, datatype=DataType.REGISTERS)])]


IDENTITY = {"VendorName": "nobody", "ProductCode": "TEST-1", "MajorMinorRevision": "2.5"}


def identity() -> ModbusDeviceIdentification:
    return ModbusDeviceIdentification(info_name=IDENTITY)  # type: ignore[no-untyped-call] # pymodbus


async def shut_down(server: ModbusTcpServer | ModbusSerialServer) -> None:
    await server.shutdown()  # type: ignore[no-untyped-call] # pymodbus


@contextlib.asynccontextmanager
async def rtu_over_tcp() -> AsyncIterator[ModbusController]:
    port = free_port()
    server = ModbusTcpServer(
        simulated(),
        framer=FramerType.RTU,
        identity=identity(),
        address=("127.0.0.1", port),
    )
    await server.serve_forever(background=True)
    try:
        yield ModbusRtuOverTcp(
            protocol="modbus-rtu-over-tcp",
            name="plc",
            host="127.0.0.1",
            port=port,
            addressing="zero-based",
            timeout=0.5,
            identify=True,
        )
    finally:
        await shut_down(server)


@contextlib.asynccontextmanager
async def rtu_on_a_serial_line() -> AsyncIterator[ModbusController]:
    async with serial_line() as (ours, theirs):
        server = ModbusSerialServer(simulated(), port=theirs, identity=identity(), baudrate=19200)
        await server.serve_forever(background=True)
        try:
            yield ModbusSerial(
                protocol="modbus-rtu",
                name="plc",
                device=ours,
                baud_rate=19200,
                parity="none",
                addressing="zero-based",
                timeout=0.5,
                identify=True,
            )
        finally:
            await shut_down(server)


@pytest.mark.parametrize("wire", [rtu_over_tcp, rtu_on_a_serial_line])
async def test_rtu_reads_identifies_and_survives_a_device_that_is_not_there(
    wire: type[contextlib.AbstractAsyncContextManager[ModbusController]],
) -> None:
    async with wire() as controller:
        link = ModbusLink(controller)
        await link.connect()
        try:
            for address, count in ((0, 1), (10, 3), (0, 125), (75, 125)):
                data = await link.read(ReadRequest(1, "holding", address, count))
                assert registers(data) == [number * 7 for number in range(address, address + count)]
            assert await link.identify(1) == {0: "nobody", 1: "TEST-1", 2: "2.5"}
            with pytest.raises(ReadError, match="server device failure"):  # so pymodbus says "not here"
                await link.read(ReadRequest(9, "holding", 0, 1))
            assert registers(await link.read(ReadRequest(1, "holding", 3, 1))) == [21]
        finally:
            link.close()


async def test_a_serial_device_that_does_not_exist_is_not_connected() -> None:
    link = ModbusLink(
        ModbusSerial(protocol="modbus-rtu", name="plc", device="/dev/no-such-line", addressing="zero-based")
    )
    with pytest.raises(ReadError, match="no connection to /dev/no-such-line: No such file") as caught:
        await link.connect()
    assert caught.value.kind is FaultKind.NOT_CONNECTED


async def test_a_serial_line_that_is_unplugged_is_lost_and_found_again() -> None:
    rows = {"a": f'table = "holding", address = 10, type = "uint16", {NUMBER}'}
    async with serial_line() as (ours, theirs):
        server = ModbusSerialServer(simulated(), port=theirs, baudrate=19200)
        await server.serve_forever(background=True)
        settings = f'protocol = "modbus-rtu"\ndevice = "{ours}"\nbaud_rate = 19200\nparity = "none"'
        async with running(settings, rows) as rig:
            await rig.until_good()
            assert rig.readings["a"].value == 70.0
            await shut_down(server)
            await rig.until_bad()
            server = ModbusSerialServer(simulated(), port=theirs, baudrate=19200)
            await server.serve_forever(background=True)
            await rig.until_good()
        await shut_down(server)


@pytest.fixture(scope="session")
def libmodbus_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc")
    flags = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=False
    )
    if compiler is None or flags.returncode:
        if os.environ.get("CI"):
            pytest.fail("CI needs cc and libmodbus-dev")
        pytest.skip("needs cc and libmodbus-dev")
    program = tmp_path_factory.mktemp("libmodbus") / "server"
    subprocess.run([compiler, "-Wall", "-Werror", "-o", program, SOURCE, *flags.stdout.split()], check=True)
    return program


@contextlib.contextmanager
def libmodbus(program: Path, *arguments: str) -> Iterator[int]:
    process = subprocess.Popen([program, *arguments], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield int(process.stdout.readline())
    finally:
        process.kill()
        process.communicate()


async def read_all_tables(link: ModbusLink) -> None:
    expected: dict[Table, list[int]] = {
        "holding": [n * 3 for n in range(40, 160)],
        "input": [n * 5 for n in range(40, 160)],
    }
    for table, values in expected.items():
        assert registers(await link.read(ReadRequest(1, table, 40, 120))) == values
    for table, divisor in (("coil", 3), ("discrete", 2)):
        bits = int.from_bytes(await link.read(ReadRequest(1, table, 11, 600)), "little")
        assert [bits >> n & 1 for n in range(600)] == [int((n + 11) % divisor == 0) for n in range(600)]
    with pytest.raises(ReadError, match="illegal data address"):
        await link.read(ReadRequest(1, "holding", 995, 10))


@pytest.mark.slow
async def test_libmodbus_over_tcp(libmodbus_server: Path) -> None:
    with libmodbus(libmodbus_server, "tcp") as port:
        controller = ModbusTcp(
            protocol="modbus-tcp", name="plc", host="127.0.0.1", port=port, addressing="zero-based"
        )
        link = ModbusLink(controller)
        await link.connect()
        await read_all_tables(link)
        link.close()


@pytest.mark.slow
async def test_libmodbus_over_a_serial_line(libmodbus_server: Path) -> None:
    async with serial_line() as (ours, theirs):
        controller = ModbusSerial(
            protocol="modbus-rtu",
            name="plc",
            device=ours,
            baud_rate=19200,
            parity="none",  # pseudo terminals have no parity
            addressing="zero-based",
        )
        with libmodbus(libmodbus_server, "rtu", theirs):
            link = ModbusLink(controller)
            await link.connect()
            await asyncio.wait_for(read_all_tables(link), 20.0)
            link.close()
