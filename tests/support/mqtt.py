"""Publishing and listening for tests, and waiting for what arrives, without the daemon's own door."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

import aiomqtt

from daemon.sources.board import Board


async def publish(port: int, *messages: tuple[str, bytes], retain: bool = False, **client: Any) -> None:
    """Publish as a field device would, at quality of service 1."""
    async with aiomqtt.Client("127.0.0.1", port, **client) as device:
        for topic, payload in messages:
            await device.publish(topic, payload, qos=1, retain=retain)


def value(number: float, time: float) -> bytes:
    return json.dumps({"v": number, "t": time}).encode()


@contextlib.asynccontextmanager
async def running(*jobs: Coroutine[Any, Any, None]) -> AsyncIterator[list[asyncio.Task[None]]]:
    """Run jobs beside the test and end them with it; one that fails fails the test."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(job) for job in jobs]
        yield tasks
        for task in tasks:
            task.cancel()


class BoardWatch:
    """Waits until the board says what a test wants; asked again at each batch of one broker."""

    def __init__(self, board: Board, controller: str) -> None:
        self._cycle = asyncio.Event()
        board.on_cycle(controller, self._cycle.set)

    async def until(self, condition: Callable[[], bool], seconds: float = 10.0) -> None:
        async with asyncio.timeout(seconds):
            while not condition():
                self._cycle.clear()
                await self._cycle.wait()


class Listener:
    """Subscribes like a control room and keeps what arrives, in order."""

    def __init__(self, port: int, *topics: str, **client: Any) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self._port, self._topics, self._client = port, topics, client
        self._news = asyncio.Event()
        self.subscribed = asyncio.Event()

    async def run(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self._port, **self._client) as client:
            for topic in self._topics:
                await client.subscribe(topic, qos=1)
            self.subscribed.set()
            async for message in client.messages:
                self.messages.append((str(message.topic), bytes(message.payload), bool(message.retain)))
                self._news.set()

    def payloads(self, topic: str) -> list[bytes]:
        return [payload for name, payload, _ in self.messages if name == topic]

    async def until(self, condition: Callable[[], bool], seconds: float = 10.0) -> None:
        async with asyncio.timeout(seconds):
            while not condition():
                self._news.clear()
                await self._news.wait()
