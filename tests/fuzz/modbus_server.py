"""The read-only Modbus server under wrong requests over real sockets; for any time by command.

    python -m tests.fuzz.modbus_server 3600       an hour

Hostile clients send valid requests with changed bytes, every function code, half frames and noise, and hang
up in the middle. Beside them a client that behaves reads a value all the time: it must be answered rightly
within a second. Every answer to anybody is a whole frame with a read's function code or an exception.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import struct
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from config.sinks import ModbusServerSink as ServerSettings
from config.units import UnitContext, display_units
from daemon.clock import SystemClock
from daemon.model import AlarmState, Entry, OperatingState, Reading, ScanRecord, Status
from daemon.sinks.documents import Wording
from daemon.sinks.modbus_server import ModbusServerSink
from tests.fuzz.mutation import mutated

PATIENCE = 1.0
"""How long the client that behaves may wait for its answer [s]."""
KELVIN = 450.0
SHOWN = 1.8 * KELVIN - 459.67
"""The same temperature in degF, as the server shows it."""
LIMITS = ServerSettings.model_validate(
    {
        "kind": "modbus-server",
        "name": "dcs",
        "port": 0,
        "max_connections": 8,
        "stale_after": "1000 h",
        "values": ({"address": 10, "unit": "unit-1", "signal": "reboiler_temperature"},),
        "alarms": ({"address": 0, "unit": "unit-1", "alarm": "reboiler_temperature_high"},),
    }
)


@dataclass
class Figures:
    """What a run saw."""

    frames: int = 0
    """Frames or pieces of noise sent."""
    answers: int = 0
    exceptions: int = 0
    honest: int = 0
    """Right answers to the client that behaves."""
    slowest: float = 0.0
    """Its longest wait [s]."""
    grown: float = 0.0
    """Growth of this process's memory after the first tenth of the run [MB]."""


def request(code: int, address: int, count: int, *, transaction: int = 7, device: int = 1) -> bytes:
    """Return a request as the protocol specification has it."""
    return struct.pack(">HHHBBHH", transaction, 0, 6, device, code, address, count)


def hostile(chance: random.Random) -> bytes:
    """Return bytes that a broken or malicious client might send."""
    match chance.randrange(5):
        case 0:  # any function code with any body, well framed
            body = chance.randbytes(chance.randint(0, 252))
            return struct.pack(">HHHBB", 1, 0, len(body) + 2, 1, chance.randrange(256)) + body
        case 1:  # a read of anything
            anywhere, much = chance.randrange(65536), chance.randrange(65536)
            first, count = chance.choice((0, 8, 10, anywhere)), chance.choice((1, 4, 125, 2000, much))
            return request(chance.randint(1, 4), first, count)
        case 2:
            return mutated(request(chance.randint(1, 6), 10, 2) * chance.randint(1, 4), chance)
        case 3:  # half a frame
            return request(3, 10, 2)[: chance.randint(1, 11)]
        case _:
            return chance.randbytes(chance.randint(1, 600))


async def _read_frame(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(6)
    _, protocol, length = struct.unpack(">HHH", head)
    assert protocol == 0, f"an answer that is no Modbus TCP: {head!r}"
    assert 3 <= length <= 254, f"an answer of length {length}"
    return (await reader.readexactly(length))[1:]


async def _attack(port: int, chance: random.Random, figures: Figures, end: float) -> None:
    while time.monotonic() < end:
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
        except ConnectionError:
            continue
        answers = asyncio.create_task(_collect(reader, figures))
        with contextlib.suppress(ConnectionError):
            for _ in range(chance.randint(1, 40)):
                writer.write(hostile(chance))
                figures.frames += 1
                await writer.drain()
                if writer.is_closing():
                    break  # the server has hung up on what is no Modbus
        if chance.random() < 0.3:
            writer.transport.abort()
        elif writer.can_write_eof():
            with contextlib.suppress(OSError):
                writer.write_eof()
        await answers
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def _collect(reader: asyncio.StreamReader, figures: Figures) -> None:
    with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
        while True:
            pdu = await _read_frame(reader)
            figures.answers += 1
            if pdu[0] & 0x80:
                figures.exceptions += 1
                assert len(pdu) == 2, pdu
                assert pdu[1] in {1, 2, 3}, pdu
            else:
                assert pdu[0] in {1, 2, 3, 4}, f"function {pdu[0]} was answered"
                assert pdu[1] == len(pdu) - 2


async def _behave(port: int, figures: Figures, end: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    while time.monotonic() < end:
        began = time.monotonic()
        writer.write(request(3, 10, 3))
        pdu = await asyncio.wait_for(_read_frame(reader), PATIENCE)
        figures.slowest = max(figures.slowest, time.monotonic() - began)
        value, quality = struct.unpack(">fH", pdu[2:])
        assert abs(value - SHOWN) < 0.01, value
        assert quality == 0, quality
        figures.honest += 1
        await asyncio.sleep(0.02)  # a control system's rate, not another flood
    writer.close()
    await writer.wait_closed()


def _memory() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6


async def fuzz(seconds: float, seed: int) -> Figures:
    """Attack a server for some seconds; raises at the first thing that is wrong."""
    clock, figures, broken = SystemClock(), Figures(), list[str]()

    def unhandled(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        broken.append(f"{context.get('message')}: {context.get('exception')!r}")

    asyncio.get_running_loop().set_exception_handler(unhandled)
    wording = Wording("site", display_units("us", UnitContext()), {})
    server = ModbusServerSink(LIMITS, wording, clock, lambda _unit, _alarm: AlarmState.UNACKNOWLEDGED)
    now = clock.wall()
    reading = Reading(KELVIN, Status.GOOD, now, clock.monotonic())
    record = ScanRecord("unit-1", now, OperatingState.DRYING, {"reboiler_temperature": reading}, {})
    await server.deliver([Entry(1, "unit-1", now, record)])
    end = time.monotonic() + seconds
    try:
        port = server.port
        assert port is not None
        async with asyncio.TaskGroup() as group:
            for number in range(4):
                group.create_task(_attack(port, random.Random(f"{seed} {number}"), figures, end))
            group.create_task(_behave(port, figures, end))
            await asyncio.sleep(seconds / 10)
            before = _memory()
        figures.grown = _memory() - before
    finally:
        await server.close()
    assert not broken, broken[:3]
    return figures


def main() -> None:
    """Run from the command line."""
    seed = random.SystemRandom().randrange(2**32)
    print(f"seed {seed}", flush=True)
    print(asyncio.run(fuzz(float(sys.argv[1]), seed)))


if __name__ == "__main__":
    main()
