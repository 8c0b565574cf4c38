"""A poller, its board and a small site on a loopback port, for tests that watch readings cycle by cycle."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass

from daemon.clock import Clock, SystemClock
from daemon.model import Link, Quality, Reading
from daemon.sources.board import Board
from daemon.sources.modbus_poller import ModbusPoller, modbus_pollers
from tests.support.sites import site_with

UNIT = "unit-1"


@dataclass
class Rig:
    """One running poller."""

    board: Board
    poller: ModbusPoller
    task: asyncio.Task[None]
    _cycle: asyncio.Event

    @property
    def readings(self) -> Mapping[str, Reading]:
        return self.board.readings(UNIT)

    def link(self) -> Link:
        return self.board.link("plc")

    async def cycles(self, count: int = 1) -> None:
        """Wait for so many ends of a cycle; a poller that died raises here."""
        for _ in range(count):
            self._cycle.clear()
            await self._until_cycle()

    async def until(self, condition: Callable[[], bool], limit: float = 10.0) -> None:
        """Wait, cycle by cycle, until the condition holds."""
        async with asyncio.timeout(limit):
            while not condition():
                await self.cycles()

    async def until_good(self) -> None:
        """Wait until every reading is good."""
        await self.until(lambda: all(one.quality is Quality.GOOD for one in self.readings.values()))

    async def until_bad(self) -> None:
        """Wait until every reading is bad."""
        await self.until(lambda: all(one.quality is Quality.BAD for one in self.readings.values()))

    async def _until_cycle(self) -> None:
        waiting = asyncio.ensure_future(self._cycle.wait())
        await asyncio.wait({waiting, self.task}, return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
        if self.task.done():
            self.task.result()
            raise AssertionError("the poller ended")


def controller_toml(settings: str) -> str:
    """Return a controller called ``plc`` with quick periods; ``settings`` come last and win."""
    defaults = {
        "scan_period": '"20 ms"',
        "slow_scan_period": '"200 ms"',
        "timeout": '"100 ms"',
        "addressing": '"zero-based"',
    }
    lines = [f"{key} = {value}" for key, value in defaults.items() if f"{key} =" not in settings]
    return "\n".join(["[[controllers]]", 'name = "plc"', *lines, settings])


def signals_toml(rows: Mapping[str, str]) -> str:
    """Return signals of the controller ``plc`` by name and the rest of their table."""
    lines = [f'{name} = {{ controller = "plc", {row} }}' for name, row in rows.items()]
    return "\n".join(["[units.signals]", *lines])


@contextlib.asynccontextmanager
async def running(settings: str, rows: Mapping[str, str], clock: Clock | None = None) -> AsyncIterator[Rig]:
    """Run a poller until the block ends."""
    site = site_with(controller_toml(settings), signals_toml(rows))
    clock = clock or SystemClock()
    board = Board(site, clock)
    (poller,) = modbus_pollers(site, board, clock)
    event = asyncio.Event()
    board.on_cycle("plc", event.set)
    task = asyncio.create_task(poller.run(), name="poller under test")
    try:
        yield Rig(board, poller, task, event)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def tcp(port: int, more: str = "") -> str:
    """Return the settings of a Modbus TCP controller on a loopback port."""
    return f'protocol = "modbus-tcp"\nhost = "127.0.0.1"\nport = {port}\n{more}'
