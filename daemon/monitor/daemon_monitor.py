"""The alarms of the daemon itself behind one pure step, like those of a unit: figures in, an outcome out.

What is wrong with a part is a result of bad quality with the reason in words; what is measured is a number.
Counts that only grow (restarts, drops) are looked at over the last ten minutes, so that an alarm of them
comes and goes.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from config.alarms import ResolvedAlarm
from config.daemon_alarms import DAEMON
from config.quantities import Quantity
from config.units import DisplayUnit, value_writer
from daemon.model import AlarmTransition, OperatingState, OperatorAction, Outcome, Result, Status
from daemon.monitor.alarms.actions import ActionRefusedError
from daemon.monitor.alarms.conditions import AlarmInputs
from daemon.monitor.alarms.engine import NOT_CONFIGURED, AlarmEngine, Departure, check_saved
from daemon.monitor.alarms.record import AlarmSnapshot
from daemon.monitor.moment import Moment, TimeLine
from daemon.monitor.unit_monitor import CLOCK_STEP, SavedStateError

RECENT = 600.0
"""How long a restart, a drop or a step of the clock counts [s]."""
CHECKPOINT_PERIOD = 600.0
"""Longest time between two saved states [s]."""
VERSION = 1


@dataclass(frozen=True, slots=True)
class DaemonFigures:
    """What the daemon's parts say of themselves; texts are empty where nothing is wrong.

    ``restarts`` holds, by name of a task, how often it was restarted since the daemon started and why last;
    ``dropped`` counts values and records since then. ``None`` is what cannot be known on this box.
    """

    units: Mapping[str, str] = field(default_factory=dict)
    sinks: Mapping[str, str] = field(default_factory=dict)
    load: str = ""
    scan_lateness: float = 0.0
    journal: str = ""
    dropped: int = 0
    restarts: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    disk_free: float | None = None
    clock_synchronised: bool | None = None
    archive: str = ""


@dataclass(slots=True)
class _Recent:
    """A count that grows: by how much lately, and when it last did on the time line."""

    total: int = 0
    grown: int = 0
    at: float = -math.inf

    def look(self, total: int, now: float) -> int:
        if now - self.at > RECENT:
            self.grown = 0
        if total > self.total:
            self.grown += total - self.total
            self.at = now
        self.total = total  # of a new run of the daemon it begins at zero
        return self.grown


class DaemonMonitor:
    """The daemon's own alarms.

    Parameters
    ----------
    alarms : sequence of ResolvedAlarm
        Those of ``config.daemon_alarms.resolve_daemon_alarms``.
    display : mapping
        How the site shows values, by quantity.
    """

    def __init__(self, alarms: Sequence[ResolvedAlarm], display: Mapping[Quantity, DisplayUnit]) -> None:
        self._alarms = tuple(alarms)
        self._write = value_writer(display)
        self._begin()

    def _begin(self) -> None:
        self._timeline = TimeLine()
        self._departure = NOT_CONFIGURED
        self._engine = AlarmEngine(DAEMON, self._alarms, self._write)
        self._saved_alarms: Mapping[str, object] | None = None
        self._dropped = _Recent()
        self._restarts: dict[str, _Recent] = {}
        self._step: tuple[float, float] | None = None  # size [s], when on the time line
        self._sequence = 0
        self._checkpoint_at = -math.inf
        self._untold: tuple[AlarmTransition, ...] = ()  # of a restart whose first request was refused

    def alarms(self) -> tuple[AlarmSnapshot, ...]:
        """Return every alarm as it stands, in the order of the configuration."""
        return self._engine.snapshot()

    def step(self, figures: DaemonFigures, time: float, monotonic: float) -> Outcome:
        """Take one look at the figures.

        Parameters
        ----------
        figures : DaemonFigures
            As they stand.
        time, monotonic : float
            Now, POSIX and monotonic [s].
        """
        before = self._timeline.last
        moment = self._timeline.advance(time, monotonic)
        if moment is None:
            return self._outcome(time, monotonic, (), None)
        if self._saved_alarms is not None:
            before = None  # over a restart nobody watched the two clocks
        ended = self._resume(moment)
        self._note_clock(before, moment)
        results = self._results(figures, moment.now)
        inputs = AlarmInputs(time, moment.now, OperatingState.UNKNOWN, {}, results)
        transitions = ended + self._engine.evaluate(inputs)
        checkpoint = None
        if transitions or moment.now - self._checkpoint_at >= CHECKPOINT_PERIOD:
            self._checkpoint_at = moment.now
            checkpoint = self.save()
        return self._outcome(time, monotonic, transitions, checkpoint)

    def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Carry out an operator's request; the caller keeps ``save()`` with the transitions.

        Raises
        ------
        ActionRefusedError
            With the reason; nothing was changed.
        """
        moment = self._timeline.at(action.time, action.monotonic)
        ended = self._resume(moment)
        try:
            return ended + self._engine.apply(dataclasses.replace(action, monotonic=moment.now))
        except ActionRefusedError:
            self._untold = ended
            raise

    def noted(self, action: OperatorAction, transitions: tuple[AlarmTransition, ...]) -> Outcome:
        """Return what is kept of an operator's request that was carried out."""
        return self._outcome(action.time, action.monotonic, transitions, self.save())

    def save(self) -> str:
        """Return the whole state as JSON, for ``restore``."""
        alarms = self._engine.save() if self._saved_alarms is None else dict(self._saved_alarms)
        state = {"version": VERSION, "time": self._timeline.save(), "alarms": alarms, "step": self._step}
        return json.dumps(state, allow_nan=False, separators=(",", ":"))

    def restore(self, text: str, departure: Departure = NOT_CONFIGURED) -> None:
        """Go on from a saved state; counts begin anew, as they do in a new run of the daemon.

        ``departure`` says why alarms that stood and are no longer configured have gone.

        Raises
        ------
        SavedStateError
            The text is not what ``save`` made; the monitor is as new.
        """
        self._begin()
        self._departure = departure
        try:
            state: dict[str, Any] = json.loads(text)
            if state["version"] != VERSION:
                raise SavedStateError(f"saved state of the daemon is of version {state['version']}")
            # Read once now, so that what cannot be read is refused here.
            check_saved(state["alarms"])
            self._timeline.restore(state["time"])
            self._step = None if state["step"] is None else (state["step"][0], state["step"][1])
            self._saved_alarms = state["alarms"]
        except SavedStateError:
            raise
        except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
            self._begin()
            raise SavedStateError(f"saved state of the daemon cannot be read: {error!r}") from error

    def _resume(self, moment: Moment) -> tuple[AlarmTransition, ...]:
        untold, self._untold = self._untold, ()
        if self._saved_alarms is None:
            return untold
        saved, self._saved_alarms = self._saved_alarms, None
        return self._engine.restore(saved, time=moment.time, monotonic=moment.now, departure=self._departure)

    def _note_clock(self, before: Moment | None, moment: Moment) -> None:
        if before is None or moment.shift != before.shift:
            return
        step = (moment.time - before.time) - (moment.now - before.now)
        if abs(step) > CLOCK_STEP:
            self._step = step, moment.now

    def _results(self, figures: DaemonFigures, now: float) -> dict[str, Result]:
        if self._step is not None and now - self._step[1] > RECENT:
            self._step = None
        results = {f"evaluation.{name}": _well(trouble) for name, trouble in figures.units.items()}
        results |= {f"delivery.{name}": _well(trouble) for name, trouble in figures.sinks.items()}
        results["load"] = _well(figures.load)
        results["journal"] = _well(figures.journal)
        results["tasks"] = _well(self._restarted(figures.restarts, now))
        results["scan_lateness"] = _known(figures.scan_lateness)
        results["dropped"] = _known(self._dropped.look(figures.dropped, now))
        results["disk_free"] = _known(figures.disk_free)
        results["clock_synchronised"] = _known(figures.clock_synchronised)
        results["clock_step"] = _known(0.0 if self._step is None else self._step[0])
        results["no_step"] = _known(0.0)
        results["archive"] = _well(figures.archive)
        return results

    def _restarted(self, restarts: Mapping[str, tuple[int, str]], now: float) -> str:
        lately = []
        for name, (count, reason) in restarts.items():
            recent = self._restarts.setdefault(name, _Recent())
            if grown := recent.look(count, now):
                times = "once" if grown == 1 else f"{grown} times"
                lately.append(f"{name} was restarted {times}: {reason}")
        return "; ".join(lately)

    def _outcome(
        self,
        time: float,
        monotonic: float,
        transitions: tuple[AlarmTransition, ...],
        checkpoint: str | None,
    ) -> Outcome:
        self._sequence += 1
        return Outcome(
            DAEMON,
            self._sequence,
            time,
            monotonic,
            OperatingState.UNKNOWN,
            {},
            {},
            alarms=transitions,
            checkpoint=checkpoint,
        )


def _well(trouble: str) -> Result:
    """Return 1 for a part that is well; a part in trouble has no value but its reason."""
    if trouble:
        return Result(None, None, Status.BAD_DEVICE_FAILURE, trouble)
    return Result(1.0, None, Status.GOOD)


def _known(value: float | None) -> Result:
    if value is None:
        return Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, "not known on this box")
    return Result(float(value), None, Status.GOOD)
