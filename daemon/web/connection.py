"""What one client can hold of the daemon: connections that say nothing are closed, the number is bounded."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle
from uvicorn.server import ServerState

HEADER_TIME = 10.0
"""How long the head of a request may take to come, from the connection or from its first byte [s]."""


class Connections:
    """Counts the connections of one listener and makes room for new ones.

    Parameters
    ----------
    limit : int
        Most connections at a time. Beyond it the one that rests longest is closed for the new one; where all
        are at work, the new one is refused.
    """

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.refused = 0
        self.evicted = 0
        self._open: dict[_Connection, None] = {}
        connections = self

        class Bounded(_Connection):
            pool = connections

        self.protocol: type[asyncio.Protocol] = Bounded

    def __len__(self) -> int:
        return len(self._open)

    def admit(self, new: _Connection) -> bool:
        """Take a new connection; false when there is no room."""
        if len(self._open) >= self.limit:
            resting = next((one for one in self._open if one.resting), None)
            if resting is None:
                self.refused += 1
                return False
            self.evicted += 1
            self.forget(resting)
            resting.transport.abort()
        self._open[new] = None
        return True

    def worked(self, connection: _Connection) -> None:
        """Note that a connection has asked something: it is closed after those that have not."""
        if connection in self._open:
            del self._open[connection]
            self._open[connection] = None

    def forget(self, connection: _Connection) -> None:
        """Note that a connection has ended."""
        self._open.pop(connection, None)


class _Connection(H11Protocol):
    """An HTTP/1.1 connection with a time limit for the head of each request."""

    pool: Connections

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._deadline: asyncio.TimerHandle | None = None

    @property
    def resting(self) -> bool:
        """Whether no request is being answered."""
        cycle: RequestResponseCycle | None = (
            self.cycle
        )  # none before the first request, whatever its type says
        return cycle is None or cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in the base
        """Take the connection, or close it at once."""
        super().connection_made(transport)
        if not self.pool.admit(self):
            transport.abort()
            return
        self._arm()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let it go."""
        self._disarm()
        self.pool.forget(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes; the limit runs from the first byte of a head to its last."""
        if self.resting and self._deadline is None:
            self._arm()
        super().data_received(data)
        if not self.resting:
            self._disarm()
            self.pool.worked(self)

    def _arm(self) -> None:
        self._deadline = self.loop.call_later(HEADER_TIME, self._late)

    def _disarm(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _late(self) -> None:
        self._deadline = None
        if self.resting:
            self.transport.abort()
