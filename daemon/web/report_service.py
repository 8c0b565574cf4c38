"""Reports for the page: each written by a process of its own, one at a time, sent on as it comes."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from typing import Any

from daemon.journal.errors import JournalError, NotStored
from daemon.side_process import beside, kill
from daemon.web.history_service import Busy
from daemon.web.parts import Daemon

PROGRAM = "daemon.report.process"
"""Asked over its standard input and output, not imported: what a report costs is not the daemon's."""
WAITING = 3
"""Reports being written or waiting for it; more are told to come again."""
MOST_SCANS = 3_200_000
"""Scans that one report may be made from: a month of one-second scans, a year of ten-second scans."""
WRITING_TIME = 300.0
"""How long one report may take [s]."""
PIECE = 64 * 1024


@dataclass(frozen=True, slots=True)
class Report:
    """A report on its way."""

    style: str
    """Hash of its style sheet, as a content policy writes it."""
    pieces: AsyncGenerator[bytes]


class ReportService:
    """Has reports written without holding up the event loop.

    Parameters
    ----------
    daemon : Daemon
        What the reports are about.
    """

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._turn = asyncio.Lock()
        self._asked = 0
        self._processes: set[asyncio.subprocess.Process] = set()

    def close(self) -> None:
        """Break off what is being written."""
        for process in self._processes:
            kill(process)

    async def write(self, unit: str, begin: float, end: float, gas_price: float | None) -> Report:
        """Have a report written; returns when its first piece is there.

        Raises
        ------
        Busy
            Too many reports are asked for, or this one took too long.
        daemon.journal.errors.NotStored
            There is nothing to write about, or too much.
        daemon.journal.errors.JournalError
            The journal cannot be read.
        """
        if self._asked >= WAITING:
            raise Busy("other reports are being written; ask again in a moment")
        self._asked += 1
        pieces = self._pieces(unit, begin, end, gas_price)
        try:
            async with asyncio.timeout(WRITING_TIME):
                head = await anext(pieces)
        except BaseException as error:
            await pieces.aclose()
            if isinstance(error, TimeoutError):
                raise Busy(f"not written within {WRITING_TIME:.0f} s; choose a shorter time") from None
            raise
        return Report(json.loads(head)["style"], pieces)

    async def _pieces(
        self, unit: str, begin: float, end: float, gas_price: float | None
    ) -> AsyncGenerator[bytes]:
        """Yield the answer's first line, then the report."""
        try:
            async with self._turn, self._writing(unit, begin, end, gas_price) as process:
                assert process.stdout is not None  # noqa: S101 - asked for
                assert process.stderr is not None  # noqa: S101 - asked for
                head = await process.stdout.readline()
                if not head:
                    said = (await process.stderr.read()).decode(errors="replace").strip()
                    raise _failure(await process.wait(), said)
                yield head
                while piece := await process.stdout.read(PIECE):
                    yield piece
        finally:
            self._asked -= 1

    @contextlib.asynccontextmanager
    async def _writing(
        self, unit: str, begin: float, end: float, gas_price: float | None
    ) -> AsyncGenerator[asyncio.subprocess.Process]:
        daemon = self._daemon
        question: dict[str, Any] = {
            "site": daemon.site.model_dump(mode="json", exclude_unset=True),  # what is set overrides
            "journal": str(daemon.journal),
            "question": {
                "unit": unit, "begin": begin, "end": end, "gas_price": gas_price, "most_scans": MOST_SCANS,
            },
            "now": daemon.clock.wall(),
            "version": daemon.version,
        }  # fmt: skip
        async with beside(PROGRAM, question) as process:
            self._processes.add(process)
            try:
                yield process
            finally:
                self._processes.discard(process)


def _failure(code: int, said: str) -> Exception:
    """Return what an exit code of the program means, as its head says."""
    if code == 2:
        return NotStored(said)
    return (
        JournalError(said) if code == 3 else RuntimeError(f"the report's process ended with {code}: {said}")
    )
