"""One time line for a monitor's timers, whatever the clocks of the box do.

A monitor lives longer than a process: its state is saved and restored, perhaps after a reboot, when the
monotonic clock starts again near zero. All timers of the monitor run on ``Moment.now``, which never goes
back: the scan's own monotonic time plus a shift that is found again at each break.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.model import Reading

SAME_RUN_TOLERANCE = 2.0
"""Monotonic and wall clock may differ by this over a break before it is taken for a reboot [s]."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The time of one scan on every clock that matters.

    ``time`` is POSIX seconds, ``monotonic`` the scan's own clock, ``now`` the monitor's time line;
    ``now = monotonic + shift``.
    """

    time: float
    monotonic: float
    now: float
    shift: float

    def received(self, reading: Reading) -> float:
        """When a reading was received, on the monitor's time line."""
        return reading.received + self.shift

    def measured(self, reading: Reading, *, stamped: bool, longest_lag: float) -> float:
        """When a reading was measured, on the monitor's time line: by the source's own stamp where sane.

        A stamp takes the jitter of the network out of intervals. One that lies ahead of receipt, or more
        than ``longest_lag`` seconds behind it, says more about a clock than about the process, and the time
        of receipt is used.
        """
        received = reading.received + self.shift
        if not stamped:
            return received
        lag = (self.time - reading.time) - (self.monotonic - reading.received)
        return received - lag if 0.0 <= lag <= longest_lag else received


class TimeLine:
    """Places scans on the monitor's time line; tells stray scans from a new run of the clock."""

    def __init__(self) -> None:
        self._last: Moment | None = None
        self._restored = False
        self._restored_from: Moment | None = None
        self._stray: float | None = None

    @property
    def last(self) -> Moment | None:
        """The newest moment, ``None`` before the first scan."""
        return self._last

    @property
    def restored_from(self) -> Moment | None:
        """The newest moment before ``restore``, on this run's clock; ``None`` if there was none."""
        return self._restored_from

    def advance(self, time: float, monotonic: float) -> Moment | None:
        """Place a scan; ``None`` for one that is not newer than the last and must not be evaluated.

        A monotonic clock that went back belongs either to a scan that arrives out of order or to a new run
        of the clock. Wall time that went on, or a second scan that follows the first backward one in order,
        means a new run.
        """
        self.resume(time, monotonic)
        last = self._last
        if last is None:
            return self._accept(time, monotonic, 0.0)
        run, wall = monotonic - last.monotonic, time - last.time
        if run > 0.0:
            return self._accept(time, monotonic, last.shift)
        in_order = self._stray is not None and monotonic > self._stray
        if run < 0.0 and (wall > 0.0 or in_order):
            return self._accept(time, monotonic, last.now + max(wall, 0.0) - monotonic)
        self._stray = monotonic
        return None

    def resume(self, time: float, monotonic: float) -> None:
        """Find out, once after ``restore``, how long the break was; the clocks show these times now.

        The length is what the wall clock says. Where both clocks went on but disagree, it is the shorter of
        the two, so that no delay runs out early.
        """
        last = self._last
        if last is None or not self._restored:
            return
        self._restored = False
        run, wall = monotonic - last.monotonic, time - last.time
        if run >= 0.0 and (run <= wall + SAME_RUN_TOLERANCE or wall < 0.0):
            self._restored_from = last  # the same run of the clock, or one that tells the shorter time
            return
        shift = last.now + max(wall, 0.0) - monotonic
        self._last = self._restored_from = Moment(last.time, last.now - shift, last.now, shift)

    def at(self, time: float, monotonic: float) -> Moment:
        """Place something between scans, such as an operator's request; never before the newest scan."""
        self.resume(time, monotonic)
        last = self._last
        if last is None:
            return Moment(time, monotonic, monotonic, 0.0)
        return Moment(time, monotonic, max(monotonic + last.shift, last.now), last.shift)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        last = self._last
        return {} if last is None else {"time": last.time, "monotonic": last.monotonic, "shift": last.shift}

    def restore(self, state: dict[str, float]) -> None:
        """Take over a saved state; the next time that comes finds out how long the break was."""
        if state:
            time, monotonic, shift = state["time"], state["monotonic"], state["shift"]
            self._last = Moment(time, monotonic, monotonic + shift, shift)
            self._restored = True

    def _accept(self, time: float, monotonic: float, shift: float) -> Moment:
        self._stray = None
        self._last = Moment(time, monotonic, monotonic + shift, shift)
        return self._last
