"""The daemon as a process of its own, started as a site starts it and asked through its socket."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

PATIENCE = 60.0
"""How long a condition may take before a test gives up [s]; nothing waits that long when all is well."""


@dataclass
class DaemonProcess:
    """A running ``tegwatch run`` and a client of its API."""

    folder: Path
    process: asyncio.subprocess.Process
    client: httpx.AsyncClient
    started_in: float = 0.0
    log: Path = field(default_factory=Path)

    async def get(self, route: str) -> Any:
        answer = await self.client.get(route)
        assert answer.is_success, answer.text
        return answer.json()

    async def post(self, route: str, body: dict[str, Any]) -> httpx.Response:
        return await self.client.post(route, json=body)

    async def unit(self, name: str = "unit-1") -> dict[str, Any]:
        found: dict[str, Any] = await self.get(f"/v1/units/{name}")
        return found

    async def value(self, name: str, unit: str = "unit-1") -> dict[str, Any]:
        """Return a signal or result as the API shows it."""
        view = await self.unit(unit)
        return next(value for value in (*view["results"], *view["signals"]) if value["name"] == name)

    async def alarm(self, name: str, unit: str = "unit-1") -> dict[str, Any]:
        alarms = await self.get("/v1/alarms?all=true")
        return next(alarm for alarm in alarms if (alarm["unit"], alarm["alarm"]) == (unit, name))

    async def until(self, what: Callable[[], Any], holds: Callable[[Any], bool]) -> Any:
        """Ask until the answer is right, a few times a second; fail with the last answer when it never is."""
        end = time.monotonic() + PATIENCE
        seen: Any = None
        while time.monotonic() < end:
            try:
                seen = await what()
            except (AssertionError, StopIteration, RuntimeError):
                seen = None  # not there yet
            if seen is not None and holds(seen):
                return seen
            await asyncio.sleep(0.05)  # the API has no event for "your condition holds"
        raise AssertionError(f"never so; last seen: {seen}; log: {self.log.read_text()[-2000:]}")

    async def stop(self) -> int:
        """End it in order."""
        self.process.send_signal(signal.SIGTERM)
        return await asyncio.wait_for(self.process.wait(), PATIENCE)

    async def kill(self) -> None:
        """End it as a power cut of the process would."""
        self.process.kill()
        await self.process.wait()


@asynccontextmanager
async def running_daemon(
    folder: Path, site: str | None = None, around: Callable[..., list[str]] = lambda *words: list(words)
) -> AsyncIterator[DaemonProcess]:
    """Start the daemon on a site file in ``folder`` (written first where its text is given).

    ``around`` makes the command that starts it of its words.
    """
    file = folder / "site.toml"
    if site is not None:
        file.write_text(site)
    log = folder / "daemon.log"
    began = time.monotonic()
    with log.open("ab") as stream:
        command = around(sys.executable, "-m", "daemon", "run", str(file))
        process = await asyncio.create_subprocess_exec(
            *command, stderr=stream, stdin=asyncio.subprocess.DEVNULL
        )
    transport = httpx.AsyncHTTPTransport(uds=str(folder / "tegwatch.sock"))
    async with httpx.AsyncClient(transport=transport, base_url="http://daemon") as client:
        daemon = DaemonProcess(folder, process, client, log=log)
        try:
            await _answers(daemon)
            daemon.started_in = time.monotonic() - began
            yield daemon
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()


async def _answers(daemon: DaemonProcess) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if daemon.process.returncode is not None:
            raise AssertionError(f"the daemon ended: {daemon.log.read_text()[-3000:]}")
        try:
            if (await daemon.client.get("/v1/health")).is_success:
                return
        except httpx.TransportError:
            await asyncio.sleep(0.05)  # there is no event for a socket that does not exist yet
    raise AssertionError(f"the daemon does not answer: {daemon.log.read_text()[-3000:]}")


async def run_command(*arguments: str) -> tuple[int, str, str]:
    """Run a command to its end; return exit code, standard output and standard error."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "daemon",
        *arguments,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        stdin=asyncio.subprocess.DEVNULL,
        env={**os.environ, "COLUMNS": "160"},
    )
    output, errors = await asyncio.wait_for(process.communicate(), 3 * PATIENCE)
    return process.returncode or 0, output.decode(), errors.decode()


async def command_json(*arguments: str) -> Any:
    """Run a command that prints JSON and return what it says."""
    code, output, errors = await run_command(*arguments)
    assert code == 0, errors
    return json.loads(output)
