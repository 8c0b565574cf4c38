"""A Modbus TCP server in a process of its own that answers every read of registers from a ready answer.

It does as little as possible, so that a benchmark measures the client: no parsing beyond the header, any
number of requests in one piece. Run as ``python -m tests.support.canned_modbus``; it prints its port. With
``drying`` behind it every answer has the registers of a unit that dries gas (``tests.support.fleet``).
"""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import cast


def _counting(size: int) -> bytes:
    return bytes(range(size)) if size <= 256 else bytes(size)


class _Canned(asyncio.Protocol):
    def __init__(self, registers: Callable[[int], bytes]) -> None:
        self._registers = registers

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.WriteTransport", transport)  # uvloop's does not inherit

    def data_received(self, data: bytes) -> None:
        for start in range(0, len(data) - 11, 12):
            count = data[start + 11]
            size = 3 + 2 * count
            self._transport.write(
                data[start : start + 4]
                + size.to_bytes(2, "big")
                + data[start + 6 : start + 8]
                + bytes((2 * count,))
                + self._registers(2 * count)
            )


async def _serve(registers: Callable[[int], bytes]) -> None:
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: _Canned(registers), "127.0.0.1", 0, backlog=2048)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


@contextlib.contextmanager
def canned_server(what: str = "counting") -> Iterator[int]:
    """Start the server and give its port."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.canned_modbus", what], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        yield int(process.stdout.readline())
    finally:
        process.kill()
        process.communicate()


if __name__ == "__main__":
    import uvloop

    from tests.support.fleet import DryingRegisters

    drying = DryingRegisters()
    uvloop.run(_serve(_counting if sys.argv[1] == "counting" else lambda size: drying()[:size]))
