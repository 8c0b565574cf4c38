"""When a unit's scan is taken: as soon as all its controllers have reported, and never much later.

Pure arithmetic on monotonic seconds. A unit follows its controllers' own drift-free poll cycles, so a
value waits for nothing but the slowest of them; a controller that does not report holds the scan up for
half a period at most. A unit without polled controllers (all MQTT) is scanned on its own grid.

A box that does not keep up scans less often, evenly and visibly: ``LoadGovernor`` decides from how late
timers run by how much every unit's period is stretched. Nothing ever queues.
"""

from __future__ import annotations

import statistics
from collections import deque

GRACE = 0.5
"""How much of a period a scan waits for a controller that has not reported."""
EARLY = 0.25
"""How much of a period before it is due a complete set of reports may trigger a scan."""


class ScanPacer:
    """Decides when one unit is scanned.

    Parameters
    ----------
    polled : frozenset of str
        Controllers whose poll cycles the unit waits for.
    period : float
        Time between two scans [s].
    start : float
        When the first scan is due [monotonic s].
    """

    def __init__(self, polled: frozenset[str], period: float, start: float) -> None:
        self.polled = polled
        self.period = period
        self.due = start
        self.stretch = 1
        """Only every so many periods a scan is taken."""
        self.missed = 0
        self._reported: set[str] = set()

    @property
    def deadline(self) -> float:
        """When the scan is taken whatever has reported [monotonic s]."""
        return self.due + self.period * GRACE if self.polled else self.due

    def cycle(self, controller: str, now: float) -> bool:
        """Note a controller's finished poll cycle; true when the scan is to be taken now."""
        if self.stretch > 1 and now < self.due - self.period:
            return False  # of a period that is left out
        self._reported.add(controller)
        return self._reported >= self.polled and now >= self.due - self.period * EARLY

    def taken(self, now: float) -> float:
        """Note that a scan is taken; return how late it is [s].

        A complete set of reports moves the grid to itself, since the controllers' cycles do not drift. A
        scan on its deadline keeps the grid. Whole periods that pass unused are counted in ``missed``, never
        made up for.
        """
        span = self.period * self.stretch
        complete = bool(self.polled) and self._reported >= self.polled
        lateness = max(0.0, now - self.due)
        if complete and lateness < self.period * GRACE:
            self.due = now + span
        else:
            self.due += span
            behind = int(max(0.0, now - self.due) // self.period)
            self.missed += behind
            self.due += behind * self.period
        self.missed += self.stretch - 1
        self._reported.clear()
        return lateness


PROBE_PERIOD = 0.5
"""How often it is looked how late timers run [s]."""
LATE = 0.1
"""Median lateness of timers from which the box does not keep up [s]."""
CALM = 0.5 * LATE
"""Lateness below which it has room again [s]."""
JUDGED = 10.0
"""Probes of so long are judged together [s] ..."""
FEWEST = 5
"""... and so many at least: a box in trouble manages few of them, and one pause is no trouble."""
LARGEST_STRETCH = 8
FIRST_PATIENCE = 60.0
"""How long it must be calm before scans become quicker again [s]; doubled each time that was too soon."""
LONGEST_PATIENCE = 3600.0


class LoadGovernor:
    """Decides from how late timers run whether units are scanned less often.

    Half as often where more than half of the probes of ten seconds are late; twice as often again once it has
    been calm for a while. Where that brings the load back, the while gets longer, so that a box that is too
    small for its site settles instead of swinging.
    """

    def __init__(self) -> None:
        self.stretch = 1
        self.lag = 0.0
        """Median lateness of the newest probes [s]."""
        self._probes: deque[tuple[float, float]] = deque()
        self._since: float | None = None
        self._calm_since: float | None = None
        self._patience = FIRST_PATIENCE
        self._eased_at: float | None = None

    def observe(self, lag: float, now: float) -> bool:
        """Take one probe; true when the stretch has changed.

        Parameters
        ----------
        lag : float
            How late a timer fired [s].
        now : float
            When it did [monotonic s].
        """
        self._probes.append((now, lag))
        while len(self._probes) > FEWEST and self._probes[0][0] < now - JUDGED:
            self._probes.popleft()
        self.lag = statistics.median(lag for _, lag in self._probes)
        if self._since is None:
            self._since = now
        if lag > CALM:
            self._calm_since = None
        elif self._calm_since is None:
            self._calm_since = now
        seen = now - self._since >= JUDGED and len(self._probes) >= FEWEST
        if seen and self.lag > LATE and self.stretch < LARGEST_STRETCH:
            if self._eased_at is not None and now - self._eased_at < self._patience:
                self._patience = min(2.0 * self._patience, LONGEST_PATIENCE)
            return self._change(2 * self.stretch)
        calm = self._calm_since is not None and now - self._calm_since >= self._patience
        if calm and self.stretch > 1:
            self._eased_at = now
            return self._change(self.stretch // 2)
        if calm and self._eased_at is not None and now - self._eased_at >= LONGEST_PATIENCE:
            self._patience, self._eased_at = FIRST_PATIENCE, None
        return False

    def _change(self, stretch: int) -> bool:
        self.stretch = stretch
        self._probes.clear()  # what was seen before says nothing of the new pace
        self._since = self._calm_since = None
        return True
