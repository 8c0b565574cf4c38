"""Two times: what o'clock it is, and how long ago something was."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Where the daemon's shells take their times from; decisions get them as arguments."""

    def wall(self) -> float:
        """POSIX seconds UTC; may step when the box's clock is set."""
        ...

    def monotonic(self) -> float:
        """Seconds of a clock that never steps; only differences mean something."""
        ...


class SystemClock:
    """The clocks of this box."""

    def wall(self) -> float:
        """POSIX seconds UTC."""
        return time.time()

    def monotonic(self) -> float:
        """Seconds since some fixed moment, never stepping."""
        return time.monotonic()
