"""Whether alarms come faster than an operator can take them in, alarm by alarm.

A flood begins with more than ten annunciations in ten minutes and ends with fewer than five (ANSI/ISA-18.2,
16.4.4, seen through secondary sources). Nothing is dropped in a flood; routes that reach people may gather.
"""

from __future__ import annotations

from collections import deque

WINDOW = 600.0
"""Time over which annunciations are counted [s]."""
BEGINS = 10
"""A flood begins with more annunciations than this in the window."""
ENDS = 5
"""It ends with fewer than this."""


class FloodGate:
    """Counts annunciations in a moving window; one for each operator, whatever the number of units."""

    __slots__ = ("_flooded", "_times")

    def __init__(self) -> None:
        self._times: deque[float] = deque()
        self._flooded = False

    def add(self, time: float) -> None:
        """Count one annunciation at ``time`` [s, any clock that does not run backwards]."""
        self._times.append(time)

    def flooded(self, now: float) -> bool:
        """Return whether there is a flood at ``now``, on the clock of ``add``."""
        times = self._times
        while times and now - times[0] >= WINDOW:
            times.popleft()
        if len(times) > BEGINS:
            self._flooded = True
        elif len(times) < ENDS:
            self._flooded = False
        return self._flooded
