"""When a condition is true: comparison, deadband, rate, delays, and what bad input does.

A comparison has three answers and a fourth: *beyond* the setpoint, *back* past the deadband, *between*,
or *unknown* when the input has no usable value. A value that was beyond a high or low set point and then went
out of its signal's range is still beyond: leaving the range must not silence what it was about to raise. One
that jumps out of its range from within the set point tells of a failed instrument as much as of the process,
so it stays unknown, and the instrument's own alarm comes with a priority by what it blinds.

``Detector`` turns the answers into a condition with an on-delay and an off-delay: only *beyond* may raise,
only *back* may clear, *between* stops a delay that is running, and *unknown* stops its clock: bad input
neither raises nor clears.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from config.alarms import ResolvedAlarm
from daemon.model import Link, LinkState, OperatingState, Quality, Reading, Result, Status
from daemon.monitor.alarms.trend import Window

NINETY_NINE_PERCENT = 2.576
"""Standard deviations to both sides that hold 99 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class AlarmInputs:
    """All that the alarms of a unit look at, at one instant.

    ``time`` is POSIX seconds UTC and only stamps; ``monotonic`` drives every delay. ``signals`` are the
    readings after the signal checks, ``results`` what was calculated from them, ``links`` the controllers.
    """

    time: float
    monotonic: float
    state: OperatingState
    signals: Mapping[str, Reading]
    results: Mapping[str, Result]
    links: Mapping[str, Link] = field(default_factory=dict)


class Position(enum.Enum):
    """Where an input stands to its setpoint."""

    BEYOND = "beyond the setpoint"
    BETWEEN = "between setpoint and deadband"
    BACK = "back past the deadband"
    UNKNOWN = "unknown"


class Observation(NamedTuple):
    """One look at an alarm's input: position, value and setpoint [SI], source time, words where needed."""

    position: Position
    value: float | None
    setpoint: float | None
    time: float
    why: str = ""


class Detector:
    """A condition with delays on monotonic time.

    A condition becomes true when *beyond* has lasted for the on-delay, false when *back* has lasted for the
    off-delay. Time in which the input is unknown does not count toward either.
    """

    __slots__ = ("active", "began", "last", "since")

    _ROUNDING = 1e-6
    """A delay of 15 s is over at the scan that is 15 s later, whatever the last bit of the clock says."""

    def __init__(self) -> None:
        self.active = False
        self.since: float | None = None
        self.last = 0.0
        self.began = 0.0

    def update(self, seen: Observation, now: float, on_delay: float, off_delay: float) -> bool:
        """Take one observation at monotonic time ``now``; return whether the condition changed."""
        if seen.position is Position.UNKNOWN:
            if self.since is not None:
                self.since += now - self.last
        elif seen.position is (Position.BACK if self.active else Position.BEYOND):
            if self.since is None:
                self.since = now
                self.began = seen.time
            if now - self.since >= (off_delay if self.active else on_delay) - self._ROUNDING:
                self.active = not self.active
                self.since = None
                self.last = now
                return True
        else:
            self.since = None
        self.last = now
        return False

    @property
    def pending(self) -> float | None:
        """How long the delay that is running has lasted [s]; ``None`` while none is."""
        return None if self.since is None else self.last - self.since

    def resume(self, *, active: bool, pending: float | None, began: float, now: float) -> None:
        """Go on from saved values at monotonic time ``now``; the time in between does not count."""
        self.active = active
        self.since = None if pending is None else now - pending
        self.began = began
        self.last = now


class Watch:
    """Looks at the input of one alarm and says where it stands."""

    __slots__ = ("_alarm", "_beyond", "window")

    def __init__(self, alarm: ResolvedAlarm) -> None:
        self._alarm = alarm
        self._beyond = False
        self.window = Window(alarm.window) if alarm.condition in {"rate high", "rate low"} else None

    def look(self, inputs: AlarmInputs) -> Observation:
        """Compare the input with its setpoint, both as they stand in ``inputs``."""
        seen = self._look(inputs)
        self._beyond = seen.position is Position.BEYOND
        return seen

    def _look(self, inputs: AlarmInputs) -> Observation:
        alarm = self._alarm
        if alarm.source == "link":
            return self._look_at_link(inputs)
        source = (
            inputs.results.get(alarm.input) if alarm.source == "result" else inputs.signals.get(alarm.input)
        )
        time = source.time if isinstance(source, Reading) else inputs.time
        if alarm.condition == "bad quality":
            return self._look_at_quality(inputs, source, time)
        value = None if source is None else source.usable
        if self.window is not None:
            line = self.window.add(inputs.monotonic, value)
            value = None if line is None else line.slope * self.window.length
        elif alarm.deviation_from and value is not None:
            other = _usable(inputs, alarm.deviation_from)
            value = None if other is None else abs(value - other)
        setpoint = self._setpoint(inputs)
        if value is None or (setpoint is None and alarm.setpoint is not None):
            raises = alarm.quality_policy == "alarm" or (self._beyond and _left_its_range(alarm, source))
            position = Position.BEYOND if raises else Position.UNKNOWN
            return Observation(position, value, setpoint, time, _why_unknown(alarm, source, value))
        if setpoint is None:
            true = (value >= 0.5) is (alarm.condition == "state true")
            why = source.reason if source is not None else ""
            return Observation(Position.BEYOND if true else Position.BACK, value, None, time, why)
        why = ""
        if alarm.condition == "predicted":
            earliest = _earliest(source, value)
            excess = setpoint - earliest
            why = f"{earliest / 60.0:.0f} min at the earliest"
        elif alarm.condition in {"low", "rate low"}:
            excess = setpoint - value
        else:
            excess = value - setpoint
        if excess > 0.0:
            return Observation(Position.BEYOND, value, setpoint, time, why)
        position = Position.BACK if excess <= -alarm.band(setpoint) else Position.BETWEEN
        return Observation(position, value, setpoint, time, why)

    def _setpoint(self, inputs: AlarmInputs) -> float | None:
        setpoint, by_state = self._alarm.setpoint, self._alarm.setpoint_by_state
        if by_state:
            setpoint = by_state.get(inputs.state, setpoint)
        if setpoint is None:
            return None
        return setpoint.value(_usable(inputs, setpoint.reference) if setpoint.reference else None)

    def _look_at_quality(
        self, inputs: AlarmInputs, source: Reading | Result | None, time: float
    ) -> Observation:
        controller = self._alarm.controller
        link = inputs.links.get(controller)
        if link is not None and link.state in _NOT_CONNECTED:
            # A lost controller is one alarm, not one more for each of its signals.
            return Observation(
                Position.UNKNOWN, None, None, time, f"controller {controller} is not connected"
            )
        if source is None or source.quality is Quality.BAD:
            return Observation(Position.BEYOND, None, None, time, _reason(source))
        return Observation(Position.BACK, source.usable, None, time)

    def _look_at_link(self, inputs: AlarmInputs) -> Observation:
        link = inputs.links.get(self._alarm.input)
        if link is None:
            return Observation(
                Position.UNKNOWN, None, None, inputs.time, "no state of the connection is known"
            )
        position = Position.BEYOND if link.state in _NOT_CONNECTED else Position.BACK
        return Observation(position, None, None, inputs.time, link.reason or link.state.value)


_NOT_CONNECTED = frozenset({LinkState.DOWN, LinkState.CONNECTING})


def _earliest(source: Reading | Result | None, value: float) -> float:
    """Return the earliest time to a limit that its uncertainty allows, at 99 % confidence [s]."""
    uncertainty = source.uncertainty if isinstance(source, Result) else None
    return max(0.0, value - NINETY_NINE_PERCENT * (uncertainty or 0.0))


def _usable(inputs: AlarmInputs, name: str) -> float | None:
    source = inputs.results.get(name) or inputs.signals.get(name)
    return None if source is None else source.usable


def _reason(source: Reading | Result | None) -> str:
    if source is None:
        return "no value"
    return source.reason or source.status.opc_ua_name


def _left_its_range(alarm: ResolvedAlarm, source: Reading | Result | None) -> bool:
    return (
        alarm.condition in {"high", "low"}
        and alarm.quality_policy == "hold"
        and source is not None
        and source.status is Status.BAD_OUT_OF_RANGE
    )


def _why_unknown(alarm: ResolvedAlarm, source: Reading | Result | None, value: float | None) -> str:
    if source is None or source.usable is None:
        return f"{alarm.input} is bad: {_reason(source)}"
    if value is None and alarm.deviation_from:
        return f"{alarm.deviation_from} has no usable value"
    if value is None:
        return f"too few values of {alarm.input} to tell its rate yet"
    return "the setpoint has no usable value"
