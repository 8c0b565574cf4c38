"""A Modbus TCP server of our own that answers honestly and records every request that reaches it.

Written from the protocol specification without the code under test and without a Modbus library, so that it
can bear witness: ``SEEN`` counts the function codes that arrived at all servers of a test run.
"""

from __future__ import annotations

import asyncio
import struct
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

SEEN: Counter[int] = Counter()
"""Function codes received by every server of this process."""

_TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


@dataclass(frozen=True)
class Received:
    """One request as it arrived."""

    transaction_id: int
    device_id: int
    function_code: int
    body: bytes

    @property
    def address(self) -> int:
        return int.from_bytes(self.body[0:2], "big")

    @property
    def count(self) -> int:
        return int.from_bytes(self.body[2:4], "big")


def tcp_frame(transaction_id: int, device_id: int, pdu: bytes) -> bytes:
    """Put the Modbus TCP header before a PDU."""
    return struct.pack(">HHHB", transaction_id, 0, len(pdu) + 1, device_id) + pdu


Send = Callable[[bytes], None]


@dataclass
class RecordingModbusServer:
    """Serves four tables (missing addresses read 0) to any device id, or only to ``devices``.

    Subclasses change ``respond`` to misbehave. It is an asynchronous context manager that sets ``port``.
    """

    devices: frozenset[int] | None = None
    illegal: frozenset[tuple[str, int]] = frozenset()
    tables: dict[str, dict[int, int]] = field(default_factory=lambda: defaultdict(dict))
    requests: list[Received] = field(default_factory=list)
    connections: int = 0
    port: int = 0
    host: str = "127.0.0.1"
    _server: asyncio.Server | None = None
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)
    _handlers: set[asyncio.Task[None]] = field(default_factory=set)

    @property
    def function_codes(self) -> set[int]:
        """All function codes that arrived here."""
        return {request.function_code for request in self.requests}

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Listen, on the same port again after a ``stop``."""
        self._server = await asyncio.start_server(self._serve, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Stop listening and cut all connections."""
        if self._server is not None:
            self._server.close()
        self.cut()
        for task in tuple(self._handlers):
            task.cancel()
        await asyncio.gather(*self._handlers, return_exceptions=True)
        self._server = None

    def cut(self) -> None:
        """Cut all connections with a reset; go on listening."""
        for writer in tuple(self._writers):
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._handlers.add(task)
        self._writers.add(writer)
        self.connections += 1
        try:
            while True:
                header = await reader.readexactly(7)
                transaction_id, _, length, device_id = struct.unpack(">HHHB", header)
                pdu = await reader.readexactly(length - 1)
                request = Received(transaction_id, device_id, pdu[0], pdu[1:])
                self.requests.append(request)
                SEEN[request.function_code] += 1
                await self.respond(request, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the client left
        except asyncio.CancelledError:
            pass  # the server stops; asyncio's streams would print a cancelled handler as an error
        finally:
            self._writers.discard(writer)
            self._handlers.discard(task)
            writer.transport.abort()

    async def respond(self, request: Received, writer: asyncio.StreamWriter) -> None:
        """Answer one request; an honest server stays silent only for a device that it does not have."""
        if self.devices is None or request.device_id in self.devices:
            writer.write(tcp_frame(request.transaction_id, request.device_id, self.honest_pdu(request)))
            await writer.drain()

    def honest_pdu(self, request: Received) -> bytes:
        """Return the right answer to a request."""
        table = _TABLES.get(request.function_code)
        if table is None:
            return bytes((request.function_code | 0x80, 1))
        addresses = range(request.address, request.address + request.count)
        if addresses.stop > 0x10000 or any((table, address) in self.illegal for address in addresses):
            return bytes((request.function_code | 0x80, 2))
        values = [self.tables[table].get(address, 0) for address in addresses]
        if table in {"holding", "input"}:
            data = struct.pack(f">{len(values)}H", *values)
        else:
            bits = sum((value & 1) << index for index, value in enumerate(values))
            data = bits.to_bytes((len(values) + 7) // 8, "little")
        return bytes((request.function_code, len(data))) + data
