"""What the service manager is told: ready, alive, reloading, stopping. And when "alive" may be said.

The protocol is a datagram to the socket named in ``NOTIFY_SOCKET`` (``sd_notify(3)``,
``sd_watchdog_enabled(3)``). Whether the daemon is alive is decided from what it
does, on the event loop that does it: a loop that hangs cannot say that all is well.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

PERIOD = 10.0
"""Time between two looks at the vital tasks where no service manager asks for less [s]."""
LEAST_PATIENCE = 5.0
"""No unit is called overdue sooner than this [s]."""
TARDY_SCANS = 10
"""Scan periods without a scan after which a unit is overdue."""


@dataclass(frozen=True, slots=True)
class Vital:
    """Something that must happen again and again.

    ``last`` is when it did [monotonic s], ``limit`` how long it may stay away [s].
    """

    name: str
    last: float
    limit: float


def scans_of(unit: str, last: float, scan_period: float) -> Vital:
    """Return a unit's scans as a vital task; times in seconds."""
    return Vital(f"scans of {unit}", last, max(LEAST_PATIENCE, TARDY_SCANS * scan_period))


def overdue(vitals: Iterable[Vital], now: float, *, writer_alive: bool) -> tuple[str, ...]:
    """Return in words why the daemon must not be called alive; empty when it may.

    A disk that refuses is no reason: alarms go on without it, and a restart would only stop them.

    Parameters
    ----------
    vitals : iterable of Vital
        What must go on.
    now : float
        Monotonic time [s].
    writer_alive : bool
        Whether the journal's writer still takes outcomes.

    Examples
    --------
    >>> overdue([scans_of("north", 100.0, 1.0)], 109.0, writer_alive=True)
    ()
    >>> overdue([scans_of("north", 100.0, 1.0)], 112.0, writer_alive=False)
    ('scans of north: none for 12 s', "the journal's writer has ended")
    """
    late = [f"{one.name}: none for {now - one.last:.0f} s" for one in vitals if now - one.last > one.limit]
    return (*late, *(() if writer_alive else ("the journal's writer has ended",)))


class ServiceManager:
    """Sends states to whoever started the daemon as a service; does nothing where nobody did.

    Parameters
    ----------
    environment : mapping
        The process's environment.
    pid : int
        Its process id: a watchdog that is meant for another process is not fed.

    Raises
    ------
    OSError
        ``NOTIFY_SOCKET`` names a socket that cannot be reached.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        self.period = PERIOD
        self._socket: socket.socket | None = None
        address = environment.get("NOTIFY_SOCKET", "")
        if not address:
            return
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        # "@" stands for the zero byte with which an abstract address begins.
        self._socket.connect(f"\0{address[1:]}" if address.startswith("@") else address)
        self._socket.setblocking(False)  # noqa: FBT003 - the library's signature
        asked = environment.get("WATCHDOG_USEC", "")
        meant_for = environment.get("WATCHDOG_PID", "")
        if (
            asked.isdecimal()
            and int(asked) > 0
            and meant_for in {"", str(os.getpid() if pid is None else pid)}
        ):
            self.period = min(PERIOD, int(asked) / 1e6 / 3.0)

    def send(self, *states: str) -> bool:
        """Send states such as ``READY=1``; false where nobody listens or the manager's queue is full."""
        if self._socket is None:
            return False
        try:
            self._socket.send("\n".join(states).encode())
        except (BlockingIOError, ConnectionError, FileNotFoundError):
            return False  # the manager is busy or being restarted; the next look sends again
        return True

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
