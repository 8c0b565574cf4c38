"""What one client can hold of a listener: on real sockets, with short limits."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator

import pytest
from fastapi import FastAPI

from daemon.web import connection
from daemon.web.connection import Connections
from daemon.web.server import Listener

ASK = b"GET /here HTTP/1.1\r\nhost: x\r\n\r\n"


def bound() -> socket.socket:
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen()
    return listener


@contextlib.asynccontextmanager
async def served(
    connections: Connections, gate: asyncio.Event | None = None, arrived: asyncio.Semaphore | None = None
) -> AsyncIterator[int]:
    """Serve one route, which tells of each request and answers when ``gate`` opens; yields the port."""
    api = FastAPI(openapi_url=None)

    @api.get("/here")
    async def here() -> str:
        if gate is not None and arrived is not None:
            arrived.release()
            await gate.wait()
        return "here"

    sock = bound()
    port = sock.getsockname()[1]
    listener = Listener(api, lambda: sock, connections)
    task = asyncio.create_task(listener.run())
    yield port
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def answer(reader: asyncio.StreamReader) -> bytes:
    async with asyncio.timeout(10):
        return await reader.readuntil(b"here")


async def closed(reader: asyncio.StreamReader) -> bool:
    async with asyncio.timeout(10):
        try:
            return await reader.read() == b""
        except ConnectionResetError:
            return True


@pytest.mark.parametrize("first", [b"", b"GET /here HT"])
async def test_a_connection_that_does_not_ask_is_closed(
    first: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "HEADER_TIME", 0.05)
    async with served(Connections(10)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(first)
        assert await closed(reader)
        writer.close()


async def test_a_head_that_trickles_after_a_first_request_is_closed_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async with served(Connections(10)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(ASK)
        assert await answer(reader)
        monkeypatch.setattr(connection, "HEADER_TIME", 0.05)
        writer.write(b"GET /here HTTP/1.1\r\nx-slow: ")
        assert await closed(_rest(reader))
        writer.close()


def _rest(reader: asyncio.StreamReader) -> asyncio.StreamReader:
    reader._buffer.clear()  # the end of the first answer
    return reader


async def test_beyond_the_limit_the_longest_resting_one_makes_room() -> None:
    connections = Connections(3)
    async with served(connections) as port:
        opened = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        opened[0][1].write(ASK)  # it has asked something, so the second rests longest
        assert await answer(opened[0][0])
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(ASK)
        assert await answer(reader)
        assert await closed(opened[1][0])
        opened[0][1].write(ASK)
        assert await answer(opened[0][0])
        assert (connections.evicted, connections.refused, len(connections)) == (1, 0, 3)
        for _, one in [*opened, (reader, writer)]:
            one.close()


async def test_where_all_are_at_work_the_new_one_is_refused() -> None:
    connections, gate, arrived = Connections(2), asyncio.Event(), asyncio.Semaphore(0)
    async with served(connections, gate, arrived) as port:
        busy = [await asyncio.open_connection("127.0.0.1", port) for _ in range(2)]
        for _, writer in busy:
            writer.write(ASK)
        async with asyncio.timeout(10):
            for _ in busy:
                await arrived.acquire()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await closed(reader)
        assert connections.refused == 1
        gate.set()
        for busy_reader, busy_writer in busy:
            assert await answer(busy_reader)
            busy_writer.close()
        writer.close()
