"""Live values to many pages: every outcome is written as text once, and each client gets the same bytes.

A client has a short queue. One that does not keep up loses the oldest pieces and is told so by an event
``missed``; what it missed stands in the journal, and a page then asks for the present state anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import AsyncIterator, Callable

from daemon.journal.live import Published, Subscription
from daemon.times import rfc3339
from daemon.web.schemas import View
from daemon.web.views import Views

HEARTBEAT = 2.0
"""Longest silence on a stream [s]: short enough that a page can miss one and still look dead within 5 s."""
QUEUE = 64
"""Pieces that wait for one client."""


class StreamsFull(Exception):  # noqa: N818 - says what happened
    """As many clients as are allowed follow already."""


class _Client:
    __slots__ = ("closed", "dropped", "pieces", "ready", "unit")

    def __init__(self, unit: str | None) -> None:
        self.unit = unit
        self.pieces: deque[bytes] = deque()
        self.dropped = 0
        self.closed = False
        self.ready = asyncio.Event()

    def offer(self, unit: str, piece: bytes) -> int:
        if self.unit is not None and unit not in {self.unit, ""}:
            return 0
        lost = len(self.pieces) >= QUEUE
        if lost:
            self.pieces.popleft()
            self.dropped += 1
        self.pieces.append(piece)
        self.ready.set()
        return int(lost)


class Broadcaster:
    """Writes outcomes as server-sent events and hands them to whoever follows.

    Parameters
    ----------
    views : Views
        How values are shown.
    subscribe : callable
        Gives a subscription to the journal's live outcomes.
    limit : int
        How many clients may follow at a time.
    """

    def __init__(self, views: Views, subscribe: Callable[[], Subscription], limit: int) -> None:
        self.dropped = 0
        self._views = views
        self._subscribe = subscribe
        self._limit = limit
        self._clients: set[_Client] = set()

    @property
    def clients(self) -> int:
        """How many clients follow now."""
        return len(self._clients)

    async def run(self) -> None:
        """Hand out until cancelled or until the journal's writer closes."""
        subscription = self._subscribe()
        try:
            async for published in subscription:
                if self._clients:
                    self._hand_out(published)
        finally:
            subscription.close()
            for client in self._clients:
                client.closed = True
                client.ready.set()

    def follow(self, holds: Callable[[], bool], unit: str | None = None) -> AsyncIterator[bytes]:
        """Follow live values of all units or of one; ends when ``holds`` says no, asked at every heartbeat.

        Raises
        ------
        StreamsFull
            As many clients as are allowed follow already.
        """
        if len(self._clients) >= self._limit:
            raise StreamsFull(f"{self._limit} clients follow already; close one, or raise max_streams")
        return self._follow(_Client(unit), holds)

    async def _follow(self, client: _Client, holds: Callable[[], bool]) -> AsyncIterator[bytes]:
        asked = asyncio.get_running_loop().time()
        self._clients.add(client)
        try:
            yield b": connected\n\nretry: 2000\n\n"
            while True:
                now = asyncio.get_running_loop().time()
                if now - asked >= HEARTBEAT:
                    asked = now
                    if not holds():
                        yield _event("ended", b'{"reason":"log in again"}')
                        return
                    yield b": heartbeat\n\n"
                if client.dropped:
                    missed, client.dropped = client.dropped, 0
                    yield _event("missed", b'{"pieces":%d}' % missed)
                if client.pieces:
                    pieces = b"".join(client.pieces)
                    client.pieces.clear()
                    yield pieces
                    continue
                if client.closed:
                    return
                client.ready.clear()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(asked + HEARTBEAT - now):
                        await client.ready.wait()
        finally:
            self._clients.discard(client)

    def _hand_out(self, published: Published) -> None:
        outcome = published.outcome
        pieces: list[tuple[str, bytes]] = []
        if outcome.signals or outcome.results:
            pieces.append((outcome.unit, _view("unit", self._views.live(outcome))))
        pieces += [(step.unit, _view("alarm", self._views.transition(step))) for step in outcome.alarms]
        for event in outcome.events:
            body = {
                "unit": event.unit, "kind": event.kind, "message": event.message, "time": rfc3339(event.time),
            }  # fmt: skip
            pieces.append((event.unit, _event("event", json.dumps(body, ensure_ascii=False).encode())))
        for client in self._clients:
            for unit, piece in pieces:
                self.dropped += client.offer(unit, piece)


def _view(name: str, view: View) -> bytes:
    return _event(name, view.model_dump_json().encode())


def _event(name: str, body: bytes) -> bytes:
    return b"event: " + name.encode() + b"\ndata: " + body + b"\n\n"
