"""The pump's strokes from whatever a site has: a totalizing counter, contacts, a rate register.

The counter comes first: it misses nothing between two readings. A contact comes next, where it is sampled
fast enough to see every stroke; then messages that come once a stroke, of which each scan shows only the
newest. A rate register comes last: nobody knows how it averages. Where the first
choice is bad the next one steps in and the result says so.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.model import Quality, Reading, Result, Status
from daemon.monitor.ageing import BAD_AFTER
from daemon.monitor.moment import Moment
from daemon.monitor.specs import SignalSpec
from daemon.monitor.strokes import ContactEdges, StrokeTimeline, counter_step

COUNTER, SWITCH, RETURN = "stroke_count", "stroke_switch", "stroke_switch_return"
PULSE, REGISTER = "stroke_pulse", "stroke_rate"
OVERSPEED = 3.0
"""A counter that grew faster than this times the pump's maximum rate was set, not driven."""
REGISTER_SHARE = 0.02
"""Relative standard uncertainty of a rate register without one of its own; common practice, no source."""
DISAGREEMENT = 60.0
"""How long counter and register may differ before both are doubtful [s]."""
PULSE_WIDTH = 0.05
"""Within so much time a pulse message tells when the stroke was [s]."""
PULSE_LAG = 2.0
"""After so much time a pulse that has not come was none [s]."""
CYCLES = 10
"""Newest strokes from which the asymmetry of the two directions is judged."""


@dataclass(frozen=True, slots=True)
class PumpLimits:
    """What the estimate needs of the pump: lowest rate to be expected and maximum rate [strokes/s]."""

    lowest_rate: float
    maximum_rate: float

    @property
    def stopped_after(self) -> float:
        """Time without a stroke after which the pump counts as stopped [s]."""
        return max(30.0, 4.0 / self.lowest_rate)


class StrokeEstimator:
    """Stroke rate, time since the last stroke, regularity and asymmetry from checked readings."""

    def __init__(self, specs: Mapping[str, SignalSpec], pump: PumpLimits, scan_period: float = 1.0) -> None:
        self._specs = specs
        self._pump = pump
        self._scan_period = scan_period
        self._counter = StrokeTimeline(pump.stopped_after) if COUNTER in specs else None
        self._count: float | None = None
        self._count_time = 0.0
        self._contact = StrokeTimeline(pump.stopped_after) if SWITCH in specs else None
        self._edges = {name: ContactEdges() for name in (SWITCH, RETURN) if name in specs}
        self._closings = {name: deque[float](maxlen=CYCLES + 1) for name in self._edges}
        self._pulses = StrokeTimeline(pump.stopped_after) if PULSE in specs else None
        self._pulse_stamp: float | None = None  # of the newest pulse; None while none would be seen
        self._register_moved = -math.inf
        self._differ_since: float | None = None

    @property
    def total(self) -> float:
        """Strokes counted since the monitor first ran."""
        timeline = self._counter or self._contact or self._pulses
        return timeline.total if timeline is not None else 0.0

    def observe(self, signals: Mapping[str, Reading], moment: Moment) -> tuple[str, ...]:
        """Take in one scan's checked readings; return in words what happened to the counter."""
        notes: tuple[str, ...] = ()
        if self._counter is not None:
            notes = self._observe_counter(self._counter, signals[COUNTER], moment)
        for name, edges in self._edges.items():
            self._observe_contact(name, edges, signals[name], moment)
        if self._pulses is not None:
            self._observe_pulse(self._pulses, signals[PULSE], moment)
        register = signals.get(REGISTER)
        if register is not None and (register.usable or 0.0) > 0.0:
            self._register_moved = max(self._register_moved, moment.received(register))
        return notes

    def results(self, signals: Mapping[str, Reading], moment: Moment) -> dict[str, Result]:
        """Return ``stroke_rate``, ``time_since_stroke`` and what is known of the intervals."""
        results: dict[str, Result] = {}
        complaint = ""
        for name, timeline in ((COUNTER, self._counter), (SWITCH, self._contact), (PULSE, self._pulses)):
            if timeline is None:
                continue
            reading = signals[name]
            if reading.quality is Quality.BAD:
                complaint = complaint or f"{name} is bad ({reading.reason})"
                continue
            results = _from_timeline(timeline, reading, name, self._too_slow(name))
            break
        register = signals.get(REGISTER)
        if register is not None and register.usable is not None:
            own = self._from_register(register, moment)
            if results:
                results["stroke_rate"] = self._cross_checked(
                    results["stroke_rate"], own["stroke_rate"], moment
                )
            else:
                results = own
        if not results:
            return _nothing(complaint or (register.reason if register is not None else ""))
        if complaint:
            results = {name: _worse(result, complaint) for name, result in results.items()}
        asymmetry = self._asymmetry()
        if asymmetry is not None:
            results["stroke_asymmetry"] = asymmetry
        return results

    def _observe_counter(self, timeline: StrokeTimeline, reading: Reading, moment: Moment) -> tuple[str, ...]:
        newest = None if self._count is None else self._count_time
        time, value = self._new_sample(COUNTER, reading, moment, newest)
        if value is None:
            return ()
        spec = self._specs[COUNTER]
        since = time if newest is None else newest
        most = OVERSPEED * self._pump.maximum_rate * (time - since) + spec.counter_step + 1.0
        step = counter_step(self._count, value, spec.counter_modulus or math.inf, most)
        previous, self._count, self._count_time = self._count, value, time
        if step.kind == "reset":
            timeline.blind_until(time)
            return (f"stroke counter went from {previous:.0f} to {value:.0f}: reset, nothing counted",)
        timeline.observe(step.strokes, since, time)
        return ()

    def _observe_contact(self, name: str, edges: ContactEdges, reading: Reading, moment: Moment) -> None:
        time, value = self._new_sample(name, reading, moment, edges.time)
        timeline = self._contact if name == SWITCH else None
        if value is None:
            return
        before = edges.time
        if before is not None and time - before > BAD_AFTER * self._specs[name].period:
            edges.forget()  # it may have closed and opened unseen
            self._closings[name].clear()
            if timeline is not None:
                timeline.blind_until(time)
        closings, since = edges.sample(time, closed=value != 0.0)
        if timeline is not None:
            timeline.observe(float(closings), since, time)
        if closings:
            self._closings[name].append(0.5 * (since + time))

    def _observe_pulse(self, timeline: StrokeTimeline, reading: Reading, moment: Moment) -> None:
        """Take a new stamp for a stroke, silence for none, and lost contact for neither."""
        if reading.quality is not Quality.GOOD:
            self._pulse_stamp = None
            return
        if self._pulse_stamp is None:
            self._pulse_stamp = reading.time
            timeline.blind_until(moment.now)
            return
        watched = timeline.watched_until
        if reading.time > self._pulse_stamp:
            self._pulse_stamp = reading.time
            spec = self._specs[PULSE]
            time = moment.measured(reading, stamped=spec.has_source_time, longest_lag=BAD_AFTER * spec.period)
            timeline.observe(1.0, watched, max(watched, time), PULSE_WIDTH)
        elif moment.now - PULSE_LAG > watched:
            timeline.observe(0.0, watched, moment.now - PULSE_LAG)

    def _new_sample(
        self, name: str, reading: Reading, moment: Moment, newest: float | None
    ) -> tuple[float, float | None]:
        """Return time and value of a reading that has not been taken in yet; the value is ``None`` else."""
        if reading.quality is Quality.BAD or reading.value is None:
            return 0.0, None
        spec = self._specs[name]
        time = moment.measured(reading, stamped=spec.has_source_time, longest_lag=BAD_AFTER * spec.period)
        return time, (None if newest is not None and time <= newest else reading.value)

    def _too_slow(self, name: str) -> str:
        """Say so if contact or pulses are looked at too slowly to show every stroke."""
        if name == PULSE and self._scan_period * self._pump.maximum_rate > 1.0:
            return "at the maximum rate more than one pulse falls into a scan, and only the newest is seen"
        period = self._specs[name].period
        if name != SWITCH or period * self._pump.maximum_rate <= 0.25:
            return ""
        return f"the contact is read every {period:g} s, too slowly to see every stroke at the maximum rate"

    def _from_register(self, register: Reading, moment: Moment) -> dict[str, Result]:
        value = register.value or 0.0
        spec = self._specs[REGISTER]
        share = abs(value) * REGISTER_SHARE
        uncertainty = spec.uncertainty or math.hypot(share, (spec.resolution or 0.0) / math.sqrt(12.0))
        if value < 0.0:
            reason = f"the rate register reads {spec.show(value)}"
            return _nothing(reason)
        status = register.status
        still = moment.received(register) - self._register_moved
        # A register tells the time since it stood at zero, not that of a stroke: 0 while it moves.
        since = (
            Result(still, spec.period, status, register.reason)
            if math.isfinite(still)
            else Result(
                None, None, Status.BAD_WAITING_FOR_INITIAL_DATA, "the rate register has read zero so far"
            )
        )
        return {
            "stroke_rate": Result(value, uncertainty, status, register.reason),
            "time_since_stroke": since,
        }

    def _cross_checked(self, counted: Result, register: Result, moment: Moment) -> Result:
        """Doubt a counted rate that has differed from the register's for long."""
        if counted.value is None or register.value is None:
            self._differ_since = None
            return counted
        tolerance = 3.0 * math.hypot(counted.uncertainty or 0.0, register.uncertainty or 0.0)
        tolerance = max(tolerance, 0.1 * max(counted.value, register.value))
        if abs(counted.value - register.value) <= tolerance:
            self._differ_since = None
            return counted
        if self._differ_since is None:
            self._differ_since = moment.now
        if moment.now - self._differ_since < DISAGREEMENT:
            return counted
        reason = (
            f"strokes are seen at {60 * counted.value:.2f} /min, "
            f"the rate register says {60 * register.value:.2f} /min"
        )
        return _worse(counted, reason, Status.UNCERTAIN_SENSOR_NOT_ACCURATE)

    def _asymmetry(self) -> Result | None:
        """Difference of the two half strokes over the whole: 0 is even, towards 1 one side drags."""
        if len(self._closings) < 2:
            return None
        outward, inward = self._closings[SWITCH], self._closings[RETURN]
        there: list[float] = []
        back: list[float] = []
        for start, end in zip(outward, list(outward)[1:], strict=False):
            between = [time for time in inward if start < time < end]
            if len(between) == 1:
                there.append(between[0] - start)
                back.append(end - between[0])
        if len(there) < 4:
            return None
        whole = statistics.fmean(there) + statistics.fmean(back)
        value = (statistics.fmean(there) - statistics.fmean(back)) / whole
        periods = math.hypot(self._specs[SWITCH].period, self._specs[RETURN].period)
        uncertainty = 2.0 * periods / math.sqrt(12.0 * len(there)) / whole
        return Result(value, uncertainty, Status.GOOD)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        moved = self._register_moved
        return {
            "counter": None if self._counter is None else self._counter.save(),
            "count": [self._count, self._count_time],
            "contact": None if self._contact is None else self._contact.save(),
            "pulses": None if self._pulses is None else self._pulses.save(),
            "pulse_stamp": self._pulse_stamp,
            "edges": {name: edges.save() for name, edges in self._edges.items()},
            "closings": {name: list(times) for name, times in self._closings.items()},
            "register_moved": moved if math.isfinite(moved) else None,
            "differ_since": self._differ_since,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state; what the site file no longer has is left out."""
        if self._counter is not None and state["counter"] is not None:
            self._counter.restore(state["counter"])
            self._count, self._count_time = state["count"]
        if self._contact is not None and state["contact"] is not None:
            self._contact.restore(state["contact"])
        if self._pulses is not None and state["pulses"] is not None:
            self._pulses.restore(state["pulses"])
            self._pulse_stamp = state["pulse_stamp"]
        for name, edges in self._edges.items():
            if name in state["edges"]:
                edges.restore(state["edges"][name])
                self._closings[name].extend(state["closings"][name])
        moved = state["register_moved"]
        self._register_moved = -math.inf if moved is None else moved
        self._differ_since = state["differ_since"]


def _from_timeline(timeline: StrokeTimeline, reading: Reading, name: str, doubt: str) -> dict[str, Result]:
    status, reason = Status.GOOD, ""
    if reading.quality is Quality.UNCERTAIN:
        status, reason = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED, f"{name}: {reading.reason}"
    elif doubt:
        status, reason = Status.UNCERTAIN_SENSOR_NOT_ACCURATE, doubt
    rate, since = timeline.rate, timeline.time_since_stroke
    if since is None:
        return _nothing("no stroke reading yet")
    waiting = "two strokes have not been seen yet"
    if rate is None:
        first = Result(None, None, Status.BAD_WAITING_FOR_INITIAL_DATA, waiting)
    else:
        first = Result(*rate, status, reason)
        if not timeline.settled and not timeline.stopped:
            first = _worse(
                first, "rate from before the counter was reset", Status.UNCERTAIN_LAST_USABLE_VALUE
            )
    second = Result(*since, status, reason)
    if not timeline.stroke_seen and not timeline.stopped:
        second = _worse(
            second, "no stroke seen yet: time since watching began", Status.UNCERTAIN_INITIAL_VALUE
        )
    results = {"stroke_rate": first, "time_since_stroke": second}
    regularity = timeline.regularity
    if regularity is not None and not timeline.stopped:
        results["stroke_irregularity"] = Result(regularity.variation, regularity.uncertainty, status, reason)
    return results


def _nothing(reason: str) -> dict[str, Result]:
    because = f"no usable stroke signal: {reason}" if reason else "no stroke signal is configured"
    absent = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, because)
    return {"stroke_rate": absent, "time_since_stroke": absent}


def _worse(result: Result, reason: str, status: Status = Status.UNCERTAIN_SUB_NORMAL) -> Result:
    """Return a result that is not better than the given status; the first complaint stays."""
    if result.quality >= status.quality:
        return result
    return Result(result.value, result.uncertainty, status, reason)
