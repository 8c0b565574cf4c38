"""Programs that a command starts beside itself, and how they end with it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self

STOP_LIMIT = 10.0
"""How long a program may take to end after SIGTERM before it is killed [s]."""


class ChildFailed(Exception):  # noqa: N818 - says what happened
    """A program ended that should be running; the message holds the end of its log."""


class Child:
    """One ``tegwatch`` command as a process of its own, its standard error kept in a file.

    Parameters
    ----------
    name : str
        What people call it.
    arguments : list of str
        The command and its arguments.
    log : pathlib.Path
        Where its standard error goes.
    """

    def __init__(self, name: str, arguments: list[str], log: Path) -> None:
        self.name = name
        self._arguments = arguments
        self._log = log
        self._process: asyncio.subprocess.Process | None = None

    async def __aenter__(self) -> Self:
        with self._log.open("wb") as log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "daemon",
                *self._arguments,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=log,
                start_new_session=True,  # Ctrl-C reaches the parent, which ends its children in order
            )
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        process = self._running()
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGTERM)
            try:
                await asyncio.wait_for(process.wait(), STOP_LIMIT)
            except TimeoutError:
                process.kill()
                await process.wait()

    async def line(self) -> dict[str, Any]:
        """Return the next line that it prints, which is JSON.

        Raises
        ------
        ChildFailed
            It ended instead.
        """
        stdout = self._running().stdout
        assert stdout is not None  # noqa: S101 - it was started with a pipe
        text = await stdout.readline()
        if not text:
            raise await self.failure()
        found: dict[str, Any] = json.loads(text)
        return found

    async def ended(self) -> None:
        """Return never; raise when the program ends.

        Raises
        ------
        ChildFailed
            It has ended.
        """
        await self._running().wait()
        raise await self.failure()

    async def failure(self) -> ChildFailed:
        """Say how it ended, with the last lines of its log."""
        code = await self._running().wait()
        tail = "\n".join(self._log.read_text(errors="replace").splitlines()[-8:])
        return ChildFailed(f"{self.name} ended with code {code}\n{tail}".rstrip())

    def _running(self) -> asyncio.subprocess.Process:
        if self._process is None:
            raise RuntimeError(f"{self.name} has not been started")
        return self._process
