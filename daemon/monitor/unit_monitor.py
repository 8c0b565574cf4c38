"""One unit's whole thinking behind one pure step: a scan in, an outcome out.

The way of the data: readings are judged (``ageing``, ``checks``, ``redundancy``), strokes estimated, the
process calculated, the operating state found, the alarms evaluated. Time comes in with the scan; nothing
here knows a clock or a file. The live loop, the replay of history and the tests drive the same step.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from config.alarms import ResolvedAlarm
from config.quantities import Quantity
from config.site import DehydrationUnit, Site
from config.units import UnitContext, display_units, value_writer
from daemon.model import (
    AlarmTransition,
    Event,
    OperatingState,
    OperatorAction,
    Outcome,
    Reading,
    Result,
    Scan,
    ScanRecord,
    StepInput,
)
from daemon.monitor.ageing import HeartbeatWatch, Verdict
from daemon.monitor.alarms.actions import ActionRefusedError
from daemon.monitor.alarms.conditions import AlarmInputs
from daemon.monitor.alarms.engine import NOT_CONFIGURED, AlarmEngine, Departure, check_saved
from daemon.monitor.alarms.record import AlarmSnapshot
from daemon.monitor.checks import SignalCheck
from daemon.monitor.entries import GLYCOL_CHANGE, take_entry
from daemon.monitor.moment import Moment, TimeLine
from daemon.monitor.operating_state import OperatingStateMachine
from daemon.monitor.outlook.outlook import Outlook
from daemon.monitor.outlook.view import View
from daemon.monitor.process import ProcessCalculation
from daemon.monitor.redundancy import REDUNDANT_PAIRS, RedundancyCheck
from daemon.monitor.specs import SignalSpec, signal_specs
from daemon.monitor.stall import AcceptanceWatch, lowest_rate, stall_rate
from daemon.monitor.stroke_estimator import PumpLimits, StrokeEstimator

CHECKPOINT_PERIOD = 30.0
"""Longest time between two saved states [s]."""
CLOCK_STEP = 0.5
"""A wall clock that moves by this much more or less than the monotonic clock was stepped [s]."""
UNKNOWN_FULL_GAS_RATE = 0.1
"""Taken as the full gas rate of a unit whose gas signal has no range [standard m3/s]; about 0.3 MMscfd."""
LEAST_GLYCOL_SHARE = 0.02
"""Share of the pump's largest rate from which a glycol meter says that glycol circulates."""
VERSION = 1

_CIRCULATING = frozenset({OperatingState.BYPASS_OPEN, OperatingState.DRYING})


class SavedStateError(ValueError):
    """A saved state that cannot be taken over; the monitor is as new."""


class UnitMonitor:
    """The monitor of one dehydration unit.

    Parameters
    ----------
    site : Site
        The whole site, for its controllers, barometric pressure and pipeline limit.
    unit : DehydrationUnit
        The unit.
    alarms : sequence of ResolvedAlarm
        Its alarms (``config.alarm_set.resolve_alarms``).

    Attributes
    ----------
    saves : bool
        Whether outcomes carry the saved state when it is due; a replay that needs none spares the work.
    """

    def __init__(self, site: Site, unit: DehydrationUnit, alarms: Sequence[ResolvedAlarm]) -> None:
        self.saves = True
        self._site, self._unit, self._alarms = site, unit, tuple(alarms)
        self._specs = signal_specs(site, unit)
        context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
        # No method of its own: parts that hold one would keep a monitor that a reload has replaced alive.
        self._write = value_writer(display_units(site.site.unit_system, context))
        self._begin()

    def _begin(self) -> None:
        """Build every part anew."""
        self._untouched = True  # until something is put into it: building costs more than restoring
        self._departure = NOT_CONFIGURED
        unit, specs = self._unit, self._specs
        pump = unit.pump_in_service
        self._timeline = TimeLine()
        self._checks = {name: SignalCheck(spec) for name, spec in specs.items()}
        self._checked = [(name, check, check.spec.controller) for name, check in self._checks.items()]
        self._heartbeats = {name: HeartbeatWatch(spec) for name, spec in specs.items() if spec.is_heartbeat}
        self._pairs = [
            RedundancyCheck(pair, specs[pair.first], specs[pair.second])
            for pair in REDUNDANT_PAIRS
            if pair.first in specs and pair.second in specs
        ]
        limits = PumpLimits(lowest_rate(pump), pump.maximum_rate)
        self._strokes = StrokeEstimator(specs, limits, unit.scan_period)
        self._process = ProcessCalculation(self._site, unit, specs)
        self._state = OperatingStateMachine(
            unit.reboiler.set_point,
            _full_gas_rate(specs),
            LEAST_GLYCOL_SHARE * pump.displacement * pump.maximum_rate,
            specs,
        )
        self._outlook = Outlook(unit, _full_gas_rate(specs))
        self._engine = AlarmEngine(unit.name, self._alarms, self._write, self._outlook.diagnosis)
        self._saved_alarms: Mapping[str, object] | None = None
        self._untold: tuple[AlarmTransition, ...] = ()  # of a restart whose first request was refused
        self._stall: float | None = None
        self._acceptance = AcceptanceWatch(unit.pump_in_service)
        self._checkpoint_at = -math.inf

    @property
    def _now(self) -> float:
        last = self._timeline.last
        return 0.0 if last is None else last.now

    @property
    def unit(self) -> str:
        """Name of the unit."""
        return self._unit.name

    @property
    def state(self) -> OperatingState:
        """What the unit is doing."""
        return self._state.state

    def alarms(self) -> tuple[AlarmSnapshot, ...]:
        """Return every alarm of the unit as it stands, in the order of the configuration.

        Process alarms that stand carry the likely causes of what moves.
        """
        engine = self._engine if self._saved_alarms is None else self._as_saved(self._saved_alarms)
        shown = engine.snapshot()
        if engine.quiet:
            return shown
        causes = self._outlook.diagnosis()
        return tuple(
            dataclasses.replace(one, diagnosis=causes) if one.condition and one.about_process else one
            for one in shown
        )

    def _as_saved(self, saved: Mapping[str, object]) -> AlarmEngine:
        """Return the alarms as they were saved: until a scan comes they are that, and not all normal."""
        last = self._timeline.last
        time, now = (0.0, 0.0) if last is None else (last.time, last.now)
        engine = AlarmEngine(self._unit.name, self._alarms, self._write)
        engine.restore(saved, time=time, monotonic=now)
        return engine

    def step(self, scan: Scan) -> Outcome:
        """Take one scan; return what was made of it.

        A scan that is not newer than the last one changes nothing: its outcome has no values and says so in
        an event.

        Raises
        ------
        ValueError
            The scan belongs to another unit.
        """
        if scan.unit != self._unit.name:
            raise ValueError(f"a scan of {scan.unit} came to the monitor of {self._unit.name}")
        before = self._timeline.last
        moment = self._timeline.advance(scan.time, scan.monotonic)
        if moment is None:
            return self._refused(scan)
        ended = self._resume_alarms(moment)
        signals = self._judged(scan, moment)
        notes = self._strokes.observe(signals, moment)
        events = [self._event("stroke counter reset", scan.time, note) for note in notes]
        results = self._strokes.results(signals, moment)
        results["accepted_stall_rate"] = self._stall_rate(scan.time, events)
        self._watch_acceptance(moment, results, events)
        state, strokes = self._state.state, results["stroke_rate"]
        drying, circulating = state is OperatingState.DRYING, state in _CIRCULATING
        results |= self._process.results(
            signals, strokes, moment.now, time=scan.time, drying=drying, circulating=circulating
        )
        if self._process.recalculated:
            self._outlook.recalculated(self._process.recalculated)
        self._update_state(signals, results, moment, events)
        if self._outlook.due(moment.now):
            view = View(scan.time, moment.now, self.state, signals, results)
            self._outlook.look(view, quiet=self._engine.quiet)
        results |= self._outlook.results
        if before is not None:
            self._note_clock(before, moment, events)
        values = ScanRecord(scan.unit, scan.time, self.state, signals, results)
        return self._concluded(scan, moment, values, ended, events)

    def judge_again(self, scan: Scan, values: ScanRecord, events: Sequence[Event]) -> Outcome:
        """Take one scan whose values and events are known already: only its alarms are worked out.

        For replays. The same as ``step`` where ``values`` and ``events`` are what ``step`` made of this scan
        under the same configuration but for its alarms; a monitor goes on with the one or the other, never
        with both.
        """
        moment = self._timeline.advance(scan.time, scan.monotonic)
        if moment is None:
            return self._refused(scan)
        return self._concluded(scan, moment, values, self._resume_alarms(moment), events)

    def _concluded(
        self,
        scan: Scan,
        moment: Moment,
        values: ScanRecord,
        ended: tuple[AlarmTransition, ...],
        events: Sequence[Event],
    ) -> Outcome:
        """Evaluate the alarms; save the state when that is due."""
        transitions = ended + self._engine.evaluate(
            AlarmInputs(scan.time, moment.now, values.state, values.signals, values.results, scan.links)
        )
        due = moment.now - self._checkpoint_at >= CHECKPOINT_PERIOD
        checkpoint = None
        if due or transitions or events:
            self._checkpoint_at = moment.now
            checkpoint = self.save() if self.saves else None
        return Outcome(
            unit=scan.unit,
            sequence=scan.sequence,
            time=scan.time,
            monotonic=scan.monotonic,
            state=values.state,
            signals=values.signals,
            results=values.results,
            alarms=transitions,
            events=tuple(events),
            checkpoint=checkpoint,
            given=_given(scan, values.signals),
        )

    def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Carry out an operator's request; the caller keeps ``save()`` with the transitions.

        Raises
        ------
        ActionRefusedError
            With the reason (``daemon.monitor.alarms.actions``); nothing was changed.
        """
        self._untouched = False
        moment = self._timeline.at(action.time, action.monotonic)
        ended = self._resume_alarms(moment)
        try:
            return ended + self._engine.apply(dataclasses.replace(action, monotonic=moment.now))
        except ActionRefusedError:
            self._untold = ended
            raise

    def enter(self, entry: Event) -> tuple[Event, ...]:
        """Take an entry of the log book; return what came of it, to be kept after the entry.

        A sample of the lean glycol corrects the calculated purity; new glycol or a calibrated instrument ends
        such a correction, and new glycol begins its age anew. Other entries change nothing.
        """
        self._untouched = False
        told = take_entry(entry, self._process.purity, self._write)
        if entry.data.get("work") == GLYCOL_CHANGE:
            self._outlook.glycol_changed(float(entry.data["done"] or 0.0))
        return told

    def save(self) -> str:
        """Return the whole state as JSON, for ``restore``."""
        alarms = self._engine.save() if self._saved_alarms is None else dict(self._saved_alarms)
        state = {
            "version": VERSION,
            "unit": self._unit.name,
            "time": self._timeline.save(),
            "checks": {name: check.save() for name, check in self._checks.items()},
            "heartbeats": {name: watch.save() for name, watch in self._heartbeats.items()},
            "pairs": {pair.name: pair.save() for pair in self._pairs},
            "strokes": self._strokes.save(),
            "process": self._process.save(),
            "state": self._state.save(),
            "outlook": self._outlook.save(self._now),
            "alarms": alarms,
            "stall": self._stall,
            "acceptance": self._acceptance.save(),
            "checkpoint_at": self._checkpoint_at if math.isfinite(self._checkpoint_at) else None,
        }
        return json.dumps(state, allow_nan=False, separators=(",", ":"))

    def restore(self, text: str, departure: Departure = NOT_CONFIGURED) -> None:
        """Go on from a saved state; signals and alarms that are new since begin anew.

        ``departure`` says why alarms that stood and are no longer configured have gone.

        Raises
        ------
        SavedStateError
            The text is not what ``save`` made for this unit; the monitor is as new.
        """
        if not self._untouched or self._timeline.last is not None:
            self._begin()
        self._untouched, self._departure = False, departure
        try:
            state = json.loads(text)
            if state["version"] != VERSION or state["unit"] != self._unit.name:
                found = f"version {state['version']} of unit {state['unit']}"
                raise SavedStateError(f"saved state is {found}, not version {VERSION} of {self._unit.name}")
            self._take_over(state)
        except SavedStateError:
            raise
        except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
            self._begin()
            raise SavedStateError(f"saved state of {self._unit.name} cannot be read: {error!r}") from error

    def _take_over(self, state: Mapping[str, Any]) -> None:
        self._timeline.restore(state["time"])
        for name, check in self._checks.items():
            if name in state["checks"]:
                check.restore(state["checks"][name])
        for name, watch in self._heartbeats.items():
            if name in state["heartbeats"]:
                watch.restore(state["heartbeats"][name])
        pairs = state["pairs"] if isinstance(state["pairs"], dict) else {}  # a list in an earlier version
        for pair in self._pairs:
            if pair.name in pairs:
                pair.restore(pairs[pair.name])
        self._strokes.restore(state["strokes"])
        self._process.restore(state["process"])
        self._state.restore(state["state"])
        if "outlook" in state:  # not in what an earlier version saved
            self._outlook.restore(state["outlook"], self._now)
        self._stall = state["stall"]
        if "acceptance" in state:  # not in what an earlier version saved
            self._acceptance.restore(state["acceptance"])
        self._checkpoint_at = -math.inf if state["checkpoint_at"] is None else state["checkpoint_at"]
        # Read once now, so that what cannot be read is refused here; taken over when the time is known.
        check_saved(state["alarms"])
        self._saved_alarms = state["alarms"]

    def _resume_alarms(self, moment: Moment) -> tuple[AlarmTransition, ...]:
        """Take over saved alarms at the first sign of life after ``restore``.

        After a short break the alarms go on from their last evaluation as if there had been none; after a
        longer one nobody knows what happened in between, and the break does not count toward any delay.
        """
        untold, self._untold = self._untold, ()
        if self._saved_alarms is None:
            return untold
        saved, self._saved_alarms = self._saved_alarms, None
        last = self._timeline.restored_from or moment
        if moment.now - last.now <= 3.0 * self._unit.scan_period:
            moment = last
        return self._engine.restore(saved, time=moment.time, monotonic=moment.now, departure=self._departure)

    def _judged(self, scan: Scan, moment: Moment) -> dict[str, Reading]:
        """Run every check over the scan's readings."""
        running = self._state.state in _CIRCULATING
        readings, links = scan.readings, scan.links
        controllers: dict[str, Verdict] = {}
        for name, watch in self._heartbeats.items():
            verdict = watch.observe(readings.get(name), moment)
            if verdict is not None:
                controllers[watch.spec.controller] = verdict
        signals = {}
        for name, check, controller in self._checked:
            signals[name] = check.check(
                readings.get(name), moment, links.get(controller), controllers.get(controller), running
            )
        for pair in self._pairs:
            pair.apply(signals, moment.now)
        return signals

    def _stall_rate(self, time: float, events: list[Event]) -> Result:
        result = stall_rate(self._unit.pump_in_service, time)
        if self._stall is not None and result.value != self._stall:
            shown = self._write(Quantity.STROKE_RATE, result.value or 0.0)
            message = f"the stroke rate that counts as a stall is {shown} from now on"
            events.append(self._event("stall rate", time, message, rate=result.value))
        self._stall = result.value
        return result

    def _watch_acceptance(self, moment: Moment, results: dict[str, Result], events: list[Event]) -> None:
        ends_soon, note = self._acceptance.look(moment.time, moment.now, results["stroke_rate"])
        if ends_soon is not None:
            results["stall_acceptance_ends_soon"] = ends_soon
        if note:
            maker = self._write(Quantity.STROKE_RATE, self._unit.pump_in_service.stall_rate)
            message = f"the pump runs below its maker's stall rate of {maker}, {self._acceptance.words}"
            events.append(self._event("stall rate", moment.time, message, rate=results["stroke_rate"].value))

    def _update_state(
        self,
        signals: Mapping[str, Reading],
        results: Mapping[str, Result],
        moment: Moment,
        events: list[Event],
    ) -> None:
        previous = self._state.state
        state = self._state.update(signals, results, moment.now)
        if state is not previous:
            message = f"{self._unit.name} is {state.value}; it was {previous.value}"
            values = {"state": state.value, "previous": previous.value}
            events.append(self._event("operating state", moment.time, message, **values))

    def _note_clock(self, before: Moment, moment: Moment, events: list[Event]) -> None:
        """Report a stepped wall clock and a new run of the monotonic one."""
        if moment.shift != before.shift:
            message = "the monotonic clock began anew; delays go on"
            events.append(self._event("clock", moment.time, message, elapsed=moment.now - before.now))
            return
        step = (moment.time - before.time) - (moment.now - before.now)
        if abs(step) > CLOCK_STEP:
            message = f"the wall clock was stepped by {step:+.3f} s"
            events.append(self._event("clock", moment.time, message, step=step))

    def _refused(self, scan: Scan) -> Outcome:
        message = f"scan {scan.sequence} is not newer than the one before it and was not evaluated"
        return Outcome(
            unit=scan.unit,
            sequence=scan.sequence,
            time=scan.time,
            monotonic=scan.monotonic,
            state=self.state,
            signals={},
            results={},
            events=(self._event("scan out of order", scan.time, message, sequence=scan.sequence),),
        )

    def _event(self, kind: str, time: float, message: str, **data: str | float | None) -> Event:
        return Event(self._unit.name, kind, time, message, data)


def _given(scan: Scan, signals: Mapping[str, Reading]) -> StepInput:
    """Return what the checked signals do not tell of a scan."""
    readings = scan.readings
    raw = {name: readings.get(name) for name, checked in signals.items() if checked is not readings.get(name)}
    return StepInput(raw, scan.links)


def _full_gas_rate(specs: Mapping[str, SignalSpec]) -> float:
    spec = specs.get("gas_rate")
    return UNKNOWN_FULL_GAS_RATE if spec is None or spec.range is None else spec.range[1]
