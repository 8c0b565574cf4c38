"""When a unit's scan is taken: as soon as all its controllers have reported, and never much later.

Pure arithmetic on monotonic seconds. A unit follows its controllers' own drift-free poll cycles, so a
value waits for nothing but the slowest of them; a controller that does not report holds the scan up for
half a period at most. A unit without polled controllers (all MQTT) is scanned on its own grid.
"""

from __future__ import annotations

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
        self.missed = 0
        self._reported: set[str] = set()

    @property
    def deadline(self) -> float:
        """When the scan is taken whatever has reported [monotonic s]."""
        return self.due + self.period * GRACE if self.polled else self.due

    def cycle(self, controller: str, now: float) -> bool:
        """Note a controller's finished poll cycle; true when the scan is to be taken now."""
        self._reported.add(controller)
        return self._reported >= self.polled and now >= self.due - self.period * EARLY

    def taken(self, now: float) -> float:
        """Note that a scan is taken; return how late it is [s].

        A complete set of reports moves the grid to itself, since the controllers' cycles do not drift. A
        scan on its deadline keeps the grid. Whole periods that have passed unused are counted in
        ``missed``, never made up for.
        """
        complete = bool(self.polled) and self._reported >= self.polled
        lateness = max(0.0, now - self.due)
        if complete and lateness < self.period * GRACE:
            self.due = now + self.period
        else:
            self.due += self.period
            behind = int(max(0.0, now - self.due) // self.period)
            self.missed += behind
            self.due += behind * self.period
        self._reported.clear()
        return lateness
