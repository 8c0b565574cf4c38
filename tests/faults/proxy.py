"""A TCP proxy that spoils the line between a client and a server on demand."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self


@dataclass
class FaultProxy:
    """Passes bytes both ways and does to them what its fields say; they can be changed at any time.

    ``latency`` and ``jitter`` [s] delay what the server sends; ``slice_bytes`` cuts it into pieces of that
    size, each sent on its own; ``bandwidth`` [bytes/s] slows it; ``truncate_after`` passes so many more bytes
    of the server and then resets the connection; ``half_open`` swallows everything both ways while the
    connection stays; ``refuse`` resets new connections.
    """

    target: int
    latency: float = 0.0
    jitter: float = 0.0
    slice_bytes: int = 0
    bandwidth: float = 0.0
    truncate_after: int | None = None
    half_open: bool = False
    refuse: bool = False
    seed: int = 1
    port: int = 0
    _server: asyncio.Server | None = None
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)

    async def __aenter__(self) -> Self:
        self._random = random.Random(self.seed)
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        self.reset()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def reset(self) -> None:
        """Cut every connection."""
        for writer in tuple(self._writers):
            writer.transport.abort()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._writers.add(writer)
        server_writer: asyncio.StreamWriter | None = None
        try:
            if self.refuse:
                return
            server_reader, server_writer = await asyncio.open_connection("127.0.0.1", self.target)
            self._writers.add(server_writer)
            async with asyncio.TaskGroup() as group:
                group.create_task(self._requests(reader, server_writer))
                group.create_task(self._replies(server_reader, writer))
        except (ExceptionGroup, ConnectionError, asyncio.CancelledError):
            pass  # one of the two ends left, or the proxy stops
        finally:
            for each in (writer, server_writer):
                if each is not None:
                    each.transport.abort()
                    self._writers.discard(each)
            self._tasks.discard(task)

    async def _requests(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            if not self.half_open:
                writer.write(data)
                await writer.drain()
        raise ConnectionResetError

    async def _replies(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            if self.latency or self.jitter:
                await asyncio.sleep(self.latency + self.jitter * self._random.random())
            if self.half_open:
                continue
            if self.truncate_after is not None:
                data, self.truncate_after = data[: self.truncate_after], self.truncate_after - len(data)
                if self.truncate_after < 0:
                    self.truncate_after = None
                    writer.write(data)
                    await writer.drain()
                    raise ConnectionResetError
            size = self.slice_bytes or len(data)
            for start in range(0, len(data), size):
                writer.write(data[start : start + size])
                await writer.drain()
                if self.bandwidth:
                    await asyncio.sleep(size / self.bandwidth)
                elif self.slice_bytes:
                    await asyncio.sleep(0)
        raise ConnectionResetError
