"""One connection: late answers on a line without transaction ids, and what this package can send at all."""

from __future__ import annotations

import ast
import asyncio
from pathlib import Path
from typing import cast

import pytest

import daemon
from config.controllers import ModbusTcp
from daemon.sources.modbus_faults import FaultKind, ReadError
from daemon.sources.modbus_frames import ReadRequest, RtuFraming, TcpFraming, crc16
from daemon.sources.modbus_link import ModbusLink, _Connection, _read_pdu

REQUEST = ReadRequest(1, "holding", 0, 1)
SAME_SHAPE = ReadRequest(1, "holding", 50, 1)
TIMEOUT = 0.05


class Wire:
    """A transport that keeps what is written and tells when."""

    def __init__(self) -> None:
        self.frames: list[bytes] = []
        self.written = asyncio.Event()
        self.aborted = False

    def write(self, data: bytes) -> None:
        self.frames.append(data)
        self.written.set()

    def abort(self) -> None:
        self.aborted = True


def connected(framing: TcpFraming | RtuFraming) -> tuple[_Connection, Wire]:
    connection, wire = _Connection(framing, identification=False), Wire()
    connection.connection_made(cast("asyncio.BaseTransport", wire))
    return connection, wire


def ask(connection: _Connection, request: ReadRequest) -> asyncio.Task[bytes]:
    return asyncio.create_task(connection.exchange(request, _read_pdu(request), TIMEOUT))


def rtu_answer(value: int) -> bytes:
    body = bytes((1, 3, 2)) + value.to_bytes(2, "big")
    return body + crc16(body).to_bytes(2, "little")


@pytest.mark.looptime
async def test_on_a_serial_line_a_late_answer_is_let_pass_before_a_request_that_it_would_fit() -> None:
    connection, wire = connected(RtuFraming())
    with pytest.raises(ReadError, match=r"no answer within 0\.05 s"):
        await ask(connection, REQUEST)
    expired = asyncio.get_running_loop().time()
    again = ask(connection, SAME_SHAPE)
    await asyncio.sleep(TIMEOUT / 2)
    assert len(wire.frames) == 1  # it waits, and meanwhile the late answer arrives
    connection.data_received(rtu_answer(111))
    wire.written.clear()
    await wire.written.wait()
    assert asyncio.get_running_loop().time() >= expired + TIMEOUT
    connection.data_received(rtu_answer(222))
    assert await again == (222).to_bytes(2, "big")


@pytest.mark.looptime
async def test_on_a_serial_line_a_request_that_no_late_answer_fits_goes_out_at_once() -> None:
    connection, wire = connected(RtuFraming())
    with pytest.raises(ReadError):
        await ask(connection, REQUEST)
    other = ask(connection, ReadRequest(2, "holding", 0, 1))
    await asyncio.sleep(0)
    assert len(wire.frames) == 2
    connection.data_received(rtu_answer(111))  # the late one, of device 1
    body = bytes((2, 3, 2, 0, 9))
    connection.data_received(body + crc16(body).to_bytes(2, "little"))
    assert await other == b"\0\x09"


@pytest.mark.looptime
async def test_bytes_that_never_become_an_answer_are_told_from_silence() -> None:
    connection, _ = connected(RtuFraming())
    asked = ask(connection, REQUEST)
    await asyncio.sleep(0)
    connection.data_received(b"\x55\xaa\x55\xaa")
    with pytest.raises(ReadError, match="4 bytes that do not fit") as caught:
        await asked
    assert caught.value.kind is FaultKind.MALFORMED


@pytest.mark.looptime
async def test_a_cancelled_request_leaves_nothing_that_the_next_could_take() -> None:
    connection, wire = connected(TcpFraming(0))
    asked = ask(connection, REQUEST)
    await asyncio.sleep(0)
    asked.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asked
    following = ask(connection, SAME_SHAPE)
    await asyncio.sleep(0)
    connection.data_received(wire.frames[0][:4] + b"\0\5\1\3\2\0\x6f")  # answers the cancelled one
    assert connection.strays == 1
    connection.data_received(wire.frames[1][:4] + b"\0\5\1\3\2\0\xde")
    assert await following == b"\0\xde"


@pytest.mark.looptime
async def test_a_peer_that_floods_is_given_up() -> None:
    connection, wire = connected(TcpFraming(0))
    connection.data_received(bytes.fromhex("ffff 0000 0005 01 03 02 0000") * 17)
    assert wire.aborted
    with pytest.raises(ReadError, match="nobody asked for"):
        await ask(connection, REQUEST)


def link_to(port: int) -> ModbusLink:
    return ModbusLink(
        ModbusTcp(protocol="modbus-tcp", name="plc", host="127.0.0.1", port=port, addressing="zero-based")
    )


async def test_an_unconnected_link_says_so() -> None:
    with pytest.raises(ReadError, match="not connected"):
        await link_to(1).read(REQUEST)


SOURCES = sorted((Path(daemon.__file__).parent / "sources").glob("modbus_*.py"))


def test_only_the_link_imports_pymodbus_and_only_its_reads() -> None:
    imported: dict[str, set[str]] = {}
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                assert not any(alias.name.startswith("pymodbus") for alias in node.names)
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pymodbus"):
                imported.setdefault(path.name, set()).update(alias.name for alias in node.names)
    assert imported == {
        "modbus_link.py": {
            "ReadCoilsRequest",
            "ReadDiscreteInputsRequest",
            "ReadHoldingRegistersRequest",
            "ReadInputRegistersRequest",
            "ReadDeviceInformationRequest",
            "create_serial_connection",
        }
    }


def test_one_line_of_this_package_writes_to_a_controller_and_it_writes_a_checked_frame() -> None:
    writes = []
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                assert node.func.attr not in {"sendall", "send", "sendto", "writelines", "execute"}
                if node.func.attr == "write":
                    writes.append((path.name, ast.unparse(node)))
    assert writes == [("modbus_link.py", "self._transport.write(frame)")]
    source = (SOURCES[0].parent / "modbus_link.py").read_text()
    assert source.count("frame = self._framing.encode(") == source.count("frame =") == 1
