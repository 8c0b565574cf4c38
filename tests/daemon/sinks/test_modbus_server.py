"""The read-only Modbus server: layout, quality, and that nothing can be written."""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyModbusTCP.client import ModbusClient

from config.sinks import ModbusServerSink as ServerSettings
from config.units import UnitContext, display_units
from daemon.model import AlarmState, Quality
from daemon.sinks.base import DeliveryFailed
from daemon.sinks.documents import Wording
from daemon.sinks.modbus_image import Image, Shown, answer, frame, image, take_frame
from daemon.sinks.modbus_server import ModbusServerSink
from tests.support.clocks import FakeClock
from tests.support.journals import START, alarm, scan

WORDING = Wording("north", display_units("us", UnitContext()), {})
STATES = {
    ("unit-1", "reboiler_high"): AlarmState.UNACKNOWLEDGED,
    ("unit-1", "pump_stopped"): AlarmState.SHELVED,
    ("unit-1", "margin_low"): AlarmState.RETURNED_UNACKNOWLEDGED,
}
LAYOUT = {
    "kind": "modbus-server",
    "name": "dcs",
    "port": 0,
    "values": (
        {"address": 10, "unit": "unit-1", "signal": "reboiler_temperature"},
        {"address": 13, "unit": "unit-1", "signal": "gas_rate"},
        {"address": 16, "unit": "unit-1", "result": "dew_point_margin"},
        {"address": 30, "unit": "unit-2", "result": "dew_point_margin"},
    ),
    "alarms": (
        {"address": 0, "unit": "unit-1", "alarm": "reboiler_high"},
        {"address": 4, "unit": "unit-1", "alarm": "pump_stopped"},
        {"address": 8, "unit": "unit-1", "alarm": "margin_low"},
        {"address": 12, "unit": "unit-1", "alarm": "unknown"},
    ),
}


def made(clock: FakeClock, **more: object) -> ModbusServerSink:
    settings = ServerSettings.model_validate({**LAYOUT, **more})
    return ModbusServerSink(settings, WORDING, clock, lambda unit, name: STATES.get((unit, name)))


def floating(words: list[int]) -> float:
    return float(struct.unpack(">f", struct.pack(">HH", *words))[0])


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(wall_time=START + 7.0)


@pytest.fixture
async def sink(clock: FakeClock) -> AsyncIterator[ModbusServerSink]:
    server = made(clock)
    await server.deliver([scan(5)])
    yield server
    await server.close()


async def independent(sink: ModbusServerSink, what: str, *arguments: object) -> Any:
    """Call one method of an independent Modbus client, in a thread: it blocks."""

    def call() -> object:
        client = ModbusClient("127.0.0.1", sink.port, unit_id=1, timeout=3.0, auto_close=True)
        result = getattr(client, what)(*arguments)
        return (result, client.last_except)

    return await asyncio.to_thread(call)


async def test_an_independent_client_reads_values_and_quality(sink: ModbusServerSink) -> None:
    for function in ("read_input_registers", "read_holding_registers"):
        words, _ = await independent(sink, function, 10, 9)
        assert floating(words[0:2]) == 390.0  # degF
        assert words[2] == 0
        assert math.isnan(floating(words[3:5]))
        assert words[5] == 2
        assert floating(words[6:8]) == 9.0  # 5 K are 9 degF of difference
        assert words[8] == 0
    (words, _) = await independent(sink, "read_input_registers", 30, 3)
    assert words == [0x7FC0, 0, 3], "a unit that was never scanned is stale"


async def test_alarm_bits(sink: ModbusServerSink) -> None:
    for function in ("read_discrete_inputs", "read_coils"):
        found, _ = await independent(sink, function, 0, 16)
        assert [found[n : n + 4] for n in range(0, 16, 4)] == [
            [True, True, False, False],
            [False, False, True, False],
            [False, True, False, False],
            [False, False, False, False],
        ]


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        ("write_single_register", (10, 1)),
        ("write_single_coil", (0, True)),
        ("write_multiple_registers", (10, [1, 2])),
        ("write_multiple_coils", (0, [True])),
        ("write_read_multiple_registers", (10, [1], 10, 1)),
    ],
)
async def test_writes_are_answered_with_illegal_function(
    sink: ModbusServerSink, function: str, arguments: tuple[object, ...]
) -> None:
    before = sink.present()
    _, exception = await independent(sink, function, *arguments)
    assert exception == 1
    assert sink.present() == before


async def test_the_header_counts_and_the_heartbeat_moves(sink: ModbusServerSink, clock: FakeClock) -> None:
    clock.advance(3.0)
    words, _ = await independent(sink, "read_input_registers", 0, 5)
    assert words[0] == 3
    assert (words[1] << 16 | words[2]) == int(START + 10)
    assert words[3:] == [2, 2]


async def test_values_go_stale_and_become_nan(sink: ModbusServerSink, clock: FakeClock) -> None:
    clock.advance(8.0)  # scan 5 s after the start, read 15 s after it: just within 10 s
    assert sink.present().registers[12] == 0
    clock.advance(0.1)
    image_now = sink.present()
    assert [image_now.registers[n] for n in (10, 11, 12)] == [0x7FC0, 0, 3]
    await sink.deliver([scan(4)])  # history that came late shows nothing new
    assert sink.present().registers[12] == 3


async def test_a_clock_that_steps_back_keeps_nothing_fresh(sink: ModbusServerSink, clock: FakeClock) -> None:
    clock.wall_time -= 3600.0
    clock.monotonic_time += 20.0
    assert sink.present().registers[12] == 3


async def test_only_listed_clients_and_not_too_many(clock: FakeClock) -> None:
    server = made(clock, clients=("10.0.0.0/8",))
    await server.beat()
    reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
    assert await reader.read() == b""
    assert server.refused == 1
    writer.close()
    await server.close()
    server = made(clock, max_connections=1)
    await server.beat()
    first = await asyncio.open_connection("127.0.0.1", server.port)
    first[1].write(frame(7, 1, b"\x04\x00\x00\x00\x01"))
    assert (await first[0].readexactly(11))[:8] == struct.pack(">HHHBB", 7, 0, 5, 1, 4)
    second = await asyncio.open_connection("127.0.0.1", server.port)
    assert await second[0].read() == b""
    first[1].write(b"GET / HTTP/1.1\r\n\r\n")
    assert await first[0].read() == b"", "what is no Modbus is hung up on"
    for _, writer in (first, second):
        writer.close()
    await server.close()


async def test_a_port_that_is_taken_is_a_failure(sink: ModbusServerSink, clock: FakeClock) -> None:
    with pytest.raises(DeliveryFailed, match="cannot listen on 127"):
        await made(clock, port=sink.port).deliver([scan(1)])


EMPTY = Image({}, {})


@given(st.integers(0, 255), st.binary(max_size=20))
def test_nothing_but_four_reads_is_ever_answered(code: int, rest: bytes) -> None:
    shown = image({10: Shown(1.0, Quality.GOOD, 1.0)}, {0: None}, wall=0.0, monotonic=0.0, beat=0)
    reply = answer(bytes((code,)) + rest, lambda: shown)
    if code in {1, 2, 3, 4}:
        assert reply[0] in {code, code | 0x80}
    else:
        assert reply == bytes((code | 0x80, 1))


@pytest.mark.parametrize(
    ("pdu", "reply"),
    [
        (b"\x04\x00\x00\x00\x00", b"\x84\x03"),
        (b"\x04\x00\x00\x00\x7e", b"\x84\x03"),
        (b"\x02\x00\x00\x07\xd1", b"\x82\x03"),
        (b"\x04\xff\xff\x00\x02", b"\x84\x02"),
        (b"\x04\x00\x00\x00\x01", b"\x84\x02"),
        (b"\x04\x00\x00", b"\x84\x03"),
    ],
)
def test_requests_that_cannot_be_met(pdu: bytes, reply: bytes) -> None:
    assert answer(pdu, lambda: EMPTY) == reply


def test_bits_are_packed_as_the_protocol_s_own_example() -> None:
    """MODBUS Application Protocol V1.1b3, section 6.1: coils 20 to 38, answer CD 6B 05."""
    bits = [int(bit) for byte in (0xCD, 0x6B, 0x05) for bit in f"{byte:08b}"[::-1]][:19]
    shown = Image({}, {19 + n: bool(bit) for n, bit in enumerate(bits)})
    assert answer(bytes.fromhex("0100130013"), lambda: shown) == bytes.fromhex("0103cd6b05")


@given(st.lists(st.binary(min_size=1, max_size=250), max_size=5), st.integers(1, 7))
def test_frames_come_out_whole_however_they_were_cut(pdus: list[bytes], size: int) -> None:
    data = b"".join(frame(n, 9, pdu) for n, pdu in enumerate(pdus))
    buffer, out = bytearray(), []
    for start in range(0, len(data), size):
        buffer += data[start : start + size]
        while (taken := take_frame(buffer)) is not None:
            out.append(taken)
    assert out == [(n, 9, pdu) for n, pdu in enumerate(pdus)]


def value(address: int) -> dict[str, object]:
    return {"address": address, "unit": "unit-1", "result": "dew_point_margin"}


def bits(address: int) -> dict[str, object]:
    return {"address": address, "unit": "unit-1", "alarm": "reboiler_high"}


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"values": (value(5), value(7))}, "register 7 overlaps register 5"),
        ({"alarms": (bits(0), bits(3))}, "input 3 overlaps input 0"),
        ({"values": ({"address": 5, "unit": "unit-1"},)}, "exactly one"),
        ({"values": (value(4),)}, "greater than or equal to 5"),
        ({"clients": ("10.0.0.1/8",)}, "is no network"),
    ],
)
def test_layouts_that_are_refused(more: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        ServerSettings.model_validate({**LAYOUT, **more})


async def test_alarm_entries_change_nothing_they_are_asked_for(sink: ModbusServerSink) -> None:
    before = sink.present()
    await sink.deliver([alarm(9)])
    assert sink.present() == before


@pytest.mark.parametrize("value", [1e39, -1e300, math.inf])
def test_a_number_that_does_not_fit_its_registers_is_bad(value: float) -> None:
    shown = {10: Shown(value, Quality.GOOD, 100.0)}

    found = image(shown, {}, wall=1.0, monotonic=50.0, beat=0)

    assert math.isnan(floating([found.registers[10], found.registers[11]]))
    assert found.registers[12] == int(Quality.BAD)
