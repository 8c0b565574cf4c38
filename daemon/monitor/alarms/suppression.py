"""Suppression by operating state: an alarm that has no meaning in a state is not raised there.

The rule, made so that it fails toward alarming: an unknown state suppresses nothing, a safety alarm has no
states (the configuration refuses them), suppression on the way up or down has a longest time, and after it
ends a settle time lets the process reach what the alarm expects.
"""

from __future__ import annotations

from typing import NamedTuple

from config.alarms import ResolvedAlarm
from daemon.model import OperatingState

TRANSIENT = frozenset(
    {OperatingState.HEATING, OperatingState.READY, OperatingState.BYPASS_OPEN, OperatingState.COOLING_DOWN}
)
"""States that a unit passes through; in them suppression has a longest time."""


class SavedRule(NamedTuple):
    """A state rule between two runs: seconds that its timers had lasted; ``None`` for one not running."""

    suppressing: bool = False
    settling: float | None = None
    on_the_way: float | None = None


class StateRule:
    """Says for one alarm whether the operating state suppresses it, and why."""

    __slots__ = ("_alarm", "_last", "_on_the_way_since", "_settling_since", "_suppressing")

    def __init__(self, alarm: ResolvedAlarm) -> None:
        self._alarm = alarm
        self._suppressing = False
        self._settling_since: float | None = None
        self._on_the_way_since: float | None = None
        self._last = 0.0

    def reason(self, state: OperatingState, now: float) -> str:
        """Return why the alarm is suppressed at monotonic time ``now``; empty when it is in force."""
        self._last = now
        if not self._alarm.states:
            return ""
        if state is OperatingState.UNKNOWN:
            self._suppressing = False
            self._settling_since = None
            return ""
        if state.value in self._alarm.states:
            return self._in_force(now)
        return self._suppressed(state, now)

    def _in_force(self, now: float) -> str:
        self._on_the_way_since = None
        if self._suppressing:
            self._suppressing = False
            self._settling_since = now
        if self._settling_since is not None:
            if now - self._settling_since < self._alarm.settle_time:
                return f"settling for {self._alarm.settle_time:.0f} s after the change of operating state"
            self._settling_since = None
        return ""

    def _suppressed(self, state: OperatingState, now: float) -> str:
        self._settling_since = None
        longest = self._alarm.longest_suppression
        if longest is None or state not in TRANSIENT:
            self._on_the_way_since = None
        else:
            if self._on_the_way_since is None:
                self._on_the_way_since = now
            if now - self._on_the_way_since >= longest:
                self._suppressing = False
                return ""
        self._suppressing = True
        return f"not in force while the unit is {state.value}"

    def save(self) -> SavedRule:
        """Return the timers as seconds that they have lasted."""
        return SavedRule(
            self._suppressing,
            None if self._settling_since is None else self._last - self._settling_since,
            None if self._on_the_way_since is None else self._last - self._on_the_way_since,
        )

    def resume(self, saved: SavedRule, now: float) -> None:
        """Go on from saved timers at monotonic time ``now``."""
        self._suppressing = saved.suppressing
        self._settling_since = None if saved.settling is None else now - saved.settling
        self._on_the_way_since = None if saved.on_the_way is None else now - saved.on_the_way
        self._last = now
