"""A Modbus TCP server of its own for the simulated controllers: reads are answered, all else is refused.

Written on the two Modbus specifications (Application Protocol V1.1b3, Messaging on TCP/IP V1.0b) and on plain
asyncio rather than on the library whose client the daemon uses: two ends of one library share their mistakes.
Every function code that arrives is counted before anything else is made of the frame.
"""

from __future__ import annotations

import asyncio
import struct
from collections import Counter
from collections.abc import Mapping

from daemon.fieldsim.registers import Memory
from daemon.fieldsim.scenarios import LinkFault

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_TARGET = 1, 2, 3, 11
_HEADER = struct.Struct(">HHHB")  # transaction, protocol, length, device id
_READS = {1: ("coil", 2000), 2: ("discrete", 2000), 3: ("holding", 125), 4: ("input", 125)}
_LONGEST_PDU = 253


def answer(pdu: bytes, memory: Memory | None) -> bytes:
    """Return the response to one request; sans-I/O.

    Parameters
    ----------
    pdu : bytes
        Function code and data, at least one byte.
    memory : Memory or None
        The addressed device, ``None`` if there is none behind this address.
    """
    function = pdu[0]
    if function not in _READS:
        return bytes([function | 0x80, ILLEGAL_FUNCTION])
    if memory is None:
        return bytes([function | 0x80, NO_TARGET])
    table, most = _READS[function]
    if len(pdu) != 5:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    address, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= most:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    values = memory.read(table, address, count)
    if values is None:
        return bytes([function | 0x80, ILLEGAL_ADDRESS])
    if function in {1, 2}:
        packed = sum(bit << position for position, bit in enumerate(values))
        data = packed.to_bytes((count + 7) // 8, "little")
    else:
        data = struct.pack(f">{count}H", *values)
    return bytes([function, len(data)]) + data


class ModbusServer:
    """One controller on the network.

    Parameters
    ----------
    memories : Mapping[int, Memory]
        Tables by device id. A request to another id gets exception 0B, as a gateway answers.
    lateness : float
        How late answers come under ``late`` [s].
    """

    def __init__(self, memories: Mapping[int, Memory], lateness: float = 3.0) -> None:
        self._memories = memories
        self._lateness = lateness
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._address = ("", 0)
        self.link: LinkFault = "none"
        self.function_codes: Counter[int] = Counter()
        """How often each function code arrived, refused ones included."""

    async def start(self, host: str, port: int) -> int:
        """Listen; port 0 takes a free one. Returns the port."""
        self._server = await asyncio.start_server(self._serve, host, port)
        bound = int(self._server.sockets[0].getsockname()[1])
        self._address = (host, bound)
        return bound

    async def stop(self) -> None:
        """Close the listener and every connection."""
        if self._server is not None:
            self._server.close()
            await self._drop_connections()
            await self._server.wait_closed()
            self._server = None

    async def set_link(self, link: LinkFault) -> None:
        """Behave from now on: ``none``, ``closed`` (refuses and drops), ``silent`` (no answer), ``late``."""
        if link == self.link:
            return
        before, self.link = self.link, link
        if link == "closed":
            await self.stop()
        elif before == "closed":
            await self.start(*self._address)

    async def _drop_connections(self) -> None:
        tasks = list(self._connections)
        for task in tasks:
            self._connections[task].transport.abort()
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None:
            raise RuntimeError("a connection is served by a task")
        self._connections[task] = writer
        try:
            if self._server is not None:  # it may have stopped between accepting and serving
                await self._converse(reader, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            return  # the client went away: nothing left to answer
        except asyncio.CancelledError:
            # We drop connections ourselves. Python 3.11's streams take a cancelled task for an error, and
            # leave its socket open; nobody but the streams waits for this task.
            return
        finally:
            del self._connections[task]
            writer.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            transaction, protocol, length, device = _HEADER.unpack(await reader.readexactly(_HEADER.size))
            if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
                return  # not Modbus: close, as the specification asks
            pdu = await reader.readexactly(length - 1)
            self.function_codes[pdu[0]] += 1
            if self.link == "silent":
                continue
            if self.link == "late":
                await asyncio.sleep(self._lateness)
            response = answer(pdu, self._memories.get(device))
            writer.write(_HEADER.pack(transaction, 0, len(response) + 1, device) + response)
            await writer.drain()
