"""Two pseudo terminals wired together: a serial line without hardware."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import AsyncIterator


@contextlib.asynccontextmanager
async def serial_line() -> AsyncIterator[tuple[str, str]]:
    """Give the device names of the two ends of a line; what one writes the other reads."""
    loop = asyncio.get_running_loop()
    masters, slaves = zip(*(pty.openpty() for _ in range(2)), strict=True)
    for descriptor in (*masters, *slaves):
        tty.setraw(descriptor)

    def carry(source: int, sink: int) -> None:
        with contextlib.suppress(OSError):  # an end that nobody has open
            os.write(sink, os.read(source, 4096))

    loop.add_reader(masters[0], carry, masters[0], masters[1])
    loop.add_reader(masters[1], carry, masters[1], masters[0])
    try:
        yield os.ttyname(slaves[0]), os.ttyname(slaves[1])
    finally:
        for master in masters:
            loop.remove_reader(master)
        for descriptor in (*masters, *slaves):
            os.close(descriptor)
