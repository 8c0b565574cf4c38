"""Questions to the journal from the event loop: on threads of their own, few at a time, streamed.

The query service is synchronous. It works on a small pool of threads; a slow client holds up its own thread
only, and for no longer than an answer may take to go on.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import io
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from daemon.journal.queries import History

WORKERS = 3
WAITING = 12
"""Questions under way or waiting at a time; more are told to come again."""
PIECE = 64 * 1024
"""Characters of an answer that are sent at a time."""
PIECES = 4
"""Pieces that wait for a slow client."""
PATIENCE = 60.0
"""How long a piece may wait for a slow client before its question is given up [s]."""

_T = TypeVar("_T")


class Busy(Exception):  # noqa: N818 - says what happened
    """Too many questions are under way."""


class _Gone(Exception):  # noqa: N818 - says what happened
    """The client went away; the thread ends its work."""


class HistoryService:
    """Asks the journal without holding up the event loop.

    Parameters
    ----------
    path : pathlib.Path
        The journal's file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._pool = ThreadPoolExecutor(WORKERS, "history")
        self._under_way = 0
        self._pipes: set[_Pipe] = set()

    def close(self) -> None:
        """Take no more questions, and break off those under way."""
        for pipe in self._pipes:
            pipe.abandon()
        self._pool.shutdown(wait=False, cancel_futures=True)

    async def ask(self, question: Callable[[History], _T]) -> _T:
        """Return the answer to a question.

        Raises
        ------
        Busy
            Too many questions are under way.
        daemon.journal.errors.JournalError
            What the question raises.
        """

        def work() -> _T:
            with History(self._path) as history:
                return question(history)

        self._enter()
        try:
            return await asyncio.get_running_loop().run_in_executor(self._pool, work)
        finally:
            self._under_way -= 1

    async def stream(
        self, prepare: Callable[[History], Callable[[io.TextIOBase], object]]
    ) -> AsyncIterator[bytes]:
        """Return a long answer piece by piece.

        Parameters
        ----------
        prepare : callable
            Checks the question and returns what writes the answer. What it raises is raised here, before
            anything is sent.

        Raises
        ------
        Busy
            Too many questions are under way.
        daemon.journal.errors.JournalError
            What ``prepare`` raises; raised later, it breaks the answer off.
        """
        self._enter()
        pipe = _Pipe(asyncio.get_running_loop())

        def work() -> None:
            with contextlib.suppress(_Gone):
                try:
                    with History(self._path) as history:
                        write = prepare(history)
                        pipe.ready()
                        write(pipe)
                except _Gone:
                    raise
                except Exception as error:  # noqa: BLE001 - goes on to the loop, which answers or breaks off
                    pipe.finish(error)
                else:
                    pipe.finish(None)

        self._pipes.add(pipe)
        working = asyncio.get_running_loop().run_in_executor(self._pool, work)
        working.add_done_callback(lambda _: self._leave(pipe))
        try:
            await pipe.started()
        except BaseException:
            pipe.abandon()
            raise
        return pipe.pieces()

    def _enter(self) -> None:
        if self._under_way >= WAITING:
            raise Busy("too many questions about the past are under way; ask again in a moment")
        self._under_way += 1

    def _leave(self, pipe: _Pipe) -> None:
        self._under_way -= 1
        self._pipes.discard(pipe)


class _Pipe(io.TextIOBase):
    """A text file whose other end is an asynchronous iterator; bounded."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._queue: asyncio.Queue[bytes | Exception | None] = asyncio.Queue(PIECES)
        self._parts: list[str] = []
        self._size = 0
        self._start: asyncio.Future[None] = loop.create_future()
        self._gone = False

    # ------------------------------------------------------------------ the thread's end

    def write(self, text: str) -> int:
        """Take text; waits while the client is slow."""
        self._parts.append(text)
        self._size += len(text)
        if self._size >= PIECE:
            self._send()
        return len(text)

    def ready(self) -> None:
        """Say that the question is sound."""
        self._call(self._set_started, None)

    def finish(self, error: Exception | None) -> None:
        """Say that the answer is complete, or why it is not."""
        if error is None:
            self._send()
        self._call(self._set_started, error)
        self._put(error)

    def _send(self) -> None:
        if self._parts:
            piece = "".join(self._parts).encode()
            self._parts.clear()
            self._size = 0
            self._put(piece)

    def _put(self, item: bytes | Exception | None) -> None:
        if self._gone:
            raise _Gone
        putting = asyncio.run_coroutine_threadsafe(self._queue.put(item), self._loop)
        try:
            putting.result(PATIENCE)
        except (concurrent.futures.TimeoutError, concurrent.futures.CancelledError):
            putting.cancel()
            raise _Gone from None

    def _call(self, what: Callable[[Exception | None], None], error: Exception | None) -> None:
        self._loop.call_soon_threadsafe(what, error)

    # ------------------------------------------------------------------ the loop's end

    def _set_started(self, error: Exception | None) -> None:
        if self._start.done():
            return
        if error is None:
            self._start.set_result(None)
        else:
            self._start.set_exception(error)

    async def started(self) -> None:
        """Return when the question is known to be sound."""
        await self._start

    def abandon(self) -> None:
        """Let the thread end: nobody listens."""
        self._gone = True
        while not self._queue.empty():
            self._queue.get_nowait()

    async def pieces(self) -> AsyncIterator[bytes]:
        """Yield the answer; raises in the middle what the thread failed with."""
        try:
            while (item := await self._queue.get()) is not None:
                if isinstance(item, Exception):
                    raise item
                yield item
        finally:
            self.abandon()
