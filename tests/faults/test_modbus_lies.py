"""A server that lies: no lie becomes a good value, none stops the poller, and honesty is believed again."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Iterator
from typing import cast

import pytest

from daemon.model import LinkState, Quality
from daemon.sources.modbus_faults import ReadError
from daemon.sources.modbus_frames import ReadRequest, RtuFraming, TcpFraming, crc16
from daemon.sources.modbus_link import _Connection, _read_pdu
from tests.faults.lying_server import LIES, LyingServer
from tests.support.modbus_rig import running, tcp

ROWS = {
    f"s{n}": f'table = "holding", address = {n}, type = "uint16", quantity = "number"' for n in range(3)
} | {"far": 'table = "input", address = 90, type = "float32", quantity = "number"'}


@pytest.mark.parametrize("lie", LIES)
async def test_no_lie_becomes_a_good_value_and_honesty_is_believed_again(lie: str) -> None:
    server = LyingServer()
    server.tables["holding"] |= {0: 1, 1: 2, 2: 3}
    async with server, running(tcp(server.port, "timeout = '30 ms'"), ROWS) as rig:
        await rig.until_good()
        server.lie = lie
        await rig.cycles(2)  # an honest answer may still be under way in the first
        begun = max(reading.received for reading in rig.readings.values())
        for _ in range(6):
            await rig.cycles()
            for reading in rig.readings.values():
                assert reading.quality is not Quality.GOOD or reading.received < begun
                assert (reading.quality is Quality.BAD) is (reading.value is None)
        await rig.until_bad()
        assert all(reading.reason for reading in rig.readings.values())
        assert rig.link().state is not LinkState.UP
        server.lie = ""
        await rig.until_good()
        assert [rig.readings[f"s{n}"].value for n in range(3)] == [1.0, 2.0, 3.0]


class SilentTransport:
    """Takes what is written."""

    def __init__(self) -> None:
        self.written = b""

    def write(self, data: bytes) -> None:
        self.written = data

    def abort(self) -> None:
        pass


REQUESTS = (
    ReadRequest(1, "holding", 100, 10),
    ReadRequest(7, "input", 0, 1),
    ReadRequest(1, "coil", 5, 12),
    ReadRequest(200, "discrete", 65000, 2000),
    ReadRequest(247, "holding", 0, 125),
)


def honest_pdu(request: ReadRequest, rng: random.Random) -> bytes:
    return bytes((request.function_code, request.reply_bytes)) + rng.randbytes(request.reply_bytes)


def spoiled(frame: bytes, rng: random.Random) -> bytes:
    """Change a frame in one of many ways, or not at all."""
    data = bytearray(frame)
    match rng.randrange(9):
        case 0:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        case 1:
            del data[rng.randrange(len(data)) :]
        case 2:
            data += rng.randbytes(rng.randrange(1, 20))
        case 3:
            data[rng.randrange(min(9, len(data)))] = rng.randrange(256)
        case 4:
            data = bytearray(rng.randbytes(rng.randrange(0, 300)))
        case 5:
            del data[rng.randrange(len(data))]
        case 6:
            data = data[: rng.randrange(len(data))] + data
        case 7:
            data[-2:] = b""
            if len(data) >= 9:
                data[8] = (data[8] - 2) % 256
                data[4:6] = (len(data) - 6).to_bytes(2, "big")
        case _:
            pass
    return bytes(data)


def tcp_frames(stream: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Read the frames of a stream, by the protocol's words, until they make no sense."""
    while len(stream) >= 8:
        transaction_id, protocol_id, length, device_id = struct.unpack(">HHHB", stream[:7])
        if protocol_id or not 2 <= length <= 254 or len(stream) < 6 + length:
            return
        yield transaction_id, device_id, stream[7 : 6 + length]
        stream = stream[6 + length :]


async def fuzz_tcp(count: int, seed: int) -> tuple[int, int]:
    rng = random.Random(seed)
    believed = refused = 0
    for _ in range(count):
        request = rng.choice(REQUESTS)
        connection = _Connection(TcpFraming(rng.randrange(0x10000)), identification=False)
        transport = SilentTransport()
        connection.connection_made(cast("asyncio.BaseTransport", transport))
        answer = asyncio.ensure_future(connection.exchange(request, _read_pdu(request), 60.0))
        await asyncio.sleep(0)
        transaction_id = int.from_bytes(transport.written[:2], "big")
        frame = transport.written[:4] + b"\0\0" + bytes((request.device_id,)) + honest_pdu(request, rng)
        frame = frame[:4] + (len(frame) - 6).to_bytes(2, "big") + frame[6:]
        stream = b"".join(spoiled(frame, rng) for _ in range(rng.randrange(1, 4)))
        for start in range(0, len(stream), size := rng.choice([1, 5, 1000])):
            connection.data_received(stream[start : start + size])
        ours = [(device, pdu) for number, device, pdu in tcp_frames(stream) if number == transaction_id]
        connection.connection_lost(None)
        try:
            data = await answer
        except ReadError:
            refused += 1
        else:
            believed += 1
            device_id, pdu = ours[0]
            assert device_id == request.device_id
            assert pdu == bytes((request.function_code, request.reply_bytes)) + data
    return believed, refused


async def fuzz_rtu(count: int, seed: int) -> tuple[int, int]:
    rng = random.Random(seed)
    believed = refused = 0
    for _ in range(count):
        request = rng.choice(REQUESTS)
        connection = _Connection(RtuFraming(), identification=False)
        connection.connection_made(cast("asyncio.BaseTransport", SilentTransport()))
        answer = asyncio.ensure_future(connection.exchange(request, _read_pdu(request), 60.0))
        await asyncio.sleep(0)
        body = bytes((request.device_id,)) + honest_pdu(request, rng)
        frame = body + crc16(body).to_bytes(2, "little")
        stream = b"".join(spoiled(frame, rng) for _ in range(rng.randrange(1, 3)))
        for start in range(0, len(stream), size := rng.choice([5, 1000])):
            connection.data_received(stream[start : start + size])
        connection.connection_lost(None)
        try:
            data = await answer
        except ReadError:
            refused += 1
        else:
            believed += 1
            assert data == body[3:]
    return believed, refused


@pytest.mark.parametrize("fuzz", [fuzz_tcp, fuzz_rtu])
async def test_some_thousand_spoiled_replies_give_no_wrong_value(fuzz: object) -> None:
    run = fuzz_tcp if fuzz is fuzz_tcp else fuzz_rtu
    believed, refused = await run(2000, seed=20260101)
    assert believed > 100  # the fuzzer leaves some replies whole, or the test would prove nothing
    assert refused > 500


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("fuzz", [fuzz_tcp, fuzz_rtu])
async def test_a_hundred_thousand_spoiled_replies_give_no_wrong_value(fuzz: object) -> None:
    run = fuzz_tcp if fuzz is fuzz_tcp else fuzz_rtu
    believed, refused = await run(100_000, seed=7)
    assert believed + refused == 100_000
    assert min(believed, refused) > 5_000
