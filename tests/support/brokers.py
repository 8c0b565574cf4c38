"""Brokers for tests: an embedded one that starts in milliseconds, and a real one of the operating system."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from amqtt.broker import Broker

_BIN = "/usr/sbin:/usr/local/sbin"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.asynccontextmanager
async def embedded_broker(port: int | None = None) -> AsyncIterator[int]:
    """Run a broker inside this process; yields its port. It keeps no messages for absent subscribers."""
    port = port or free_port()
    anonymous = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    listeners = {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}
    config = {"listeners": listeners, "plugins": anonymous}
    broker = Broker(config)
    await broker.start()
    try:
        yield port
    finally:
        await broker.shutdown()


@dataclass
class RealBroker:
    """A Mosquitto process of our own, with its store on disk, that a test can kill and start again."""

    folder: Path
    port: int
    program: str
    lines: list[str] = field(default_factory=list)
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        folder = self.folder
        base = [
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            "max_queued_messages 0",
            "log_dest none",
        ]
        if not any(line.startswith("allow_anonymous") for line in self.lines):
            base.append("allow_anonymous true")
        if os.geteuid() == 0:
            base.append("user root")
        (folder / "broker.conf").write_text("\n".join([*base, *self.lines, ""]))
        self.process = await asyncio.create_subprocess_exec(self.program, "-c", str(folder / "broker.conf"))
        async with asyncio.timeout(10):
            while True:
                try:
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                except OSError:
                    # Another process gives no event that says it listens.
                    await asyncio.sleep(0.02)
                    continue
                writer.close()
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
                return

    async def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            await self.process.wait()
            self.process = None


@contextlib.asynccontextmanager
async def real_broker(folder: Path, *lines: str) -> AsyncIterator[RealBroker]:
    """Run Mosquitto with extra configuration lines; skipped without it, but never in CI."""
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:{_BIN}")
    if program is None:
        assert os.environ.get("CI") != "true", "mosquitto is not installed: apt-get install mosquitto"
        pytest.skip("mosquitto is not installed: apt-get install mosquitto")
    broker = RealBroker(folder, free_port(), program, list(lines))
    await broker.start()
    try:
        yield broker
    finally:
        await broker.stop()


class Cable:
    """A TCP relay in front of a broker that a test can cut and mend."""

    def __init__(self, target: int) -> None:
        self.port = free_port()
        self._target = target
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.StreamWriter] = set()

    async def mend(self) -> None:
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", self.port)

    async def cut(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in tuple(self._open):
            writer.transport.abort()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        self._open |= {writer, far_writer}
        with contextlib.suppress(OSError):
            async with asyncio.TaskGroup() as group:
                group.create_task(self._pump(reader, far_writer))
                group.create_task(self._pump(far_reader, writer))
        self._open -= {writer, far_writer}

    @staticmethod
    async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
        writer.close()
