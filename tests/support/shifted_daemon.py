"""The daemon on a box whose clock is off: ``python -m tests.support.shifted_daemon SITE SECONDS``."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from config.loader import load_site
from daemon.app import listen_to_signals, run_daemon
from daemon.clock import SystemClock
from daemon.logs import configure_logs


class ShiftedClock(SystemClock):
    """A wall clock that is off by so many seconds; its monotonic time is right, as on a real box."""

    def __init__(self, shift: float) -> None:
        self._shift = shift

    def wall(self) -> float:
        return super().wall() + self._shift


async def main(file: Path, shift: float) -> None:
    configure_logs("json")
    stop = asyncio.Event()
    listen_to_signals(stop, asyncio.Event())
    await run_daemon(load_site(file), file.parent, stop=stop, clock=ShiftedClock(shift))


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]).resolve(), float(sys.argv[2])))
