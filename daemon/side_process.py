"""Heavy work in a process of its own beside the daemon, which ends with the daemon, whatever ended that one.

Both ends are here. The daemon writes one line of JSON and keeps standard input open; the other end takes its
closing for the end of the daemon. What comes back on standard output is between the two.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
import threading
from collections.abc import AsyncGenerator
from typing import Any

NICENESS = 10
LAST_MOMENT = 5.0
"""How long a killed process is waited for [s]: one that hangs on its disk ends when that answers."""


@contextlib.asynccontextmanager
async def beside(module: str, question: Any) -> AsyncGenerator[asyncio.subprocess.Process]:
    """Run ``python -m module`` with a question, all three streams piped; it is over when the context is.

    Parameters
    ----------
    module : str
        A program that begins with ``asked``.
    question : object
        What JSON can carry.
    """
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", module, stdin=pipe, stdout=pipe, stderr=pipe
    )
    assert process.stdin is not None  # noqa: S101 - asked for
    try:
        process.stdin.write(json.dumps(question).encode() + b"\n")
        yield process
    finally:
        kill(process)
        process.stdin.close()
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            await process.stdin.wait_closed()
        # What it still sent is taken and dropped: a full pipe that nobody reads would hide the process's end.
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(process.communicate(), LAST_MOMENT)


def kill(process: asyncio.subprocess.Process) -> None:
    """End a process at once, if it has not ended."""
    with contextlib.suppress(ProcessLookupError):
        process.kill()


def asked() -> Any:
    """Take the question at the other end; from then on the process ends with the daemon and yields to it."""
    question = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_the_daemon, daemon=True).start()
    os.nice(NICENESS)
    return question


def _end_with_the_daemon() -> None:
    sys.stdin.buffer.read()
    os._exit(1)  # nobody is there to be told
