"""Is a value credible? Range, gross range, rate of change, spike, flat line, numbers that are none.

After the real-time tests of QARTOD (IOOS, Manual for Real-Time Quality Control of Water Level Data, version
2.1, 2021), in streaming form. Where that manual flags a spike after the next sample has come, a value that
jumps is uncertain here at once and is believed when the next one confirms it: a spike never looks good, and
a true step costs one uncertain sample.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Mapping
from typing import Any

from daemon.model import Link, Quality, Reading, Status
from daemon.monitor.ageing import BAD_AFTER, UNCERTAIN_AFTER, Verdict, age_verdict, clock_verdict, link_down
from daemon.monitor.moment import Moment
from daemon.monitor.specs import SignalSpec

WINDOW = 7
"""Accepted samples kept to tell a spike from noise (Hampel's filter width)."""
ROBUST_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
SPIKE_SD = 6.0
"""A spike stands out by at least so many robust standard deviations."""
FLAT_CHANCE = 1e-7
"""A flat line is called only when a healthy signal would show it with less than this chance."""
LEARNED = 50
"""Samples from which the chance of an unchanged value is believed."""


class SignalCheck:
    """Every check of one signal, with what it has to remember."""

    def __init__(self, spec: SignalSpec) -> None:
        self.spec = spec
        self._received = -math.inf  # of the newest sample judged, on the monitor's time line
        self._verdict: Verdict | None = None  # on that sample
        self._last: float | None = None
        self._last_time = 0.0
        self._window: deque[float] = deque(maxlen=WINDOW)
        self._pending: float | None = None
        self._flat_since = 0.0
        self._flat_samples = 0
        self._samples = 0
        self._repeats = 0
        self._fine_low, self._fine_high = _fine(spec)
        self._fine_step = math.inf if spec.spike is None else spec.spike
        self._watches_changes = spec.rate_limit is not None or spec.flat_line is not None

    def check(
        self,
        reading: Reading | None,
        moment: Moment,
        link: Link | None = None,
        controller: Verdict | None = None,
        running: bool = False,  # noqa: FBT001, FBT002 - by position: this is called for every signal of every scan
    ) -> Reading:
        """Judge the newest reading; return it unchanged, or degraded with the reason.

        Parameters
        ----------
        reading : Reading or None
            Newest from the source, however old; ``None`` when the scan has none.
        moment : Moment
            Time of the scan.
        link : Link or None
            State of the connection to its controller.
        controller : Verdict or None
            What is known against everything from this controller (its heartbeat).
        running : bool
            Whether the unit circulates; a stopped unit's values may be flat.
        """
        spec = self.spec
        if reading is None:
            reason = "nothing received yet"
            return Reading(None, Status.BAD_WAITING_FOR_INITIAL_DATA, moment.time, moment.monotonic, reason)
        received = reading.received + moment.shift
        if received > self._received:
            self._received = received
            if not self._plainly_fine(reading, received):
                self._verdict = self._judge(reading, moment, running=running)
        age = moment.monotonic - reading.received
        if (
            self._verdict is None
            and controller is None
            and age <= UNCERTAIN_AFTER * spec.period
            and not spec.has_source_time
            and not link_down(link)
        ):
            return reading
        if reading.quality is Quality.BAD:
            return reading  # the source's own reason is the nearest to the cause
        worst: Verdict | None = None
        for verdict in (
            age_verdict(spec, age, link),
            controller,
            self._verdict,
            clock_verdict(spec, reading, moment),
        ):
            if verdict is not None and (worst is None or verdict[0].quality > worst[0].quality):
                worst = verdict
        if worst is None or worst[0].quality <= reading.quality:
            return reading
        return reading.degraded(*worst)

    def _plainly_fine(self, reading: Reading, received: float) -> bool:
        """Take in a sample that no check can object to, which is nearly every one; else leave it alone."""
        value, last = reading.value, self._last
        if (
            value is None
            or last is None
            or self._watches_changes
            or self._pending is not None
            or self.spec.has_source_time
            or not self._fine_low <= value <= self._fine_high
            or not -self._fine_step <= value - last <= self._fine_step
            or received - self._last_time > BAD_AFTER * self.spec.period
            or reading.status.quality is Quality.BAD
        ):
            return False
        self._verdict = None
        self._window.append(value)
        self._last, self._last_time = value, received
        return True

    def _judge(self, reading: Reading, moment: Moment, *, running: bool) -> Verdict | None:
        value = reading.value
        if value is None:
            if reading.quality is Quality.BAD:
                return None
            return Status.BAD_WAITING_FOR_INITIAL_DATA, "the source sent no value"
        spec = self.spec
        if not math.isfinite(value):
            return Status.BAD_SENSOR_FAILURE, f"the source sent {value}"
        if reading.quality is Quality.BAD:
            return None
        low, high = spec.possible
        if not low <= value <= high:
            reason = f"{spec.show(value)} is impossible: check register, type, word order and unit"
            return Status.BAD_CONFIGURATION_ERROR, reason
        if spec.gross is not None and _outside(value, spec.gross):
            way = ("above", "high") if value > spec.gross[1] else ("below", "low")
            reason = (
                f"{spec.show(value)} reads {way[0]} its gross range {_span(spec, spec.gross)}: "
                f"truly so {way[1]}, or a failed instrument"
            )
            return Status.BAD_OUT_OF_RANGE, reason
        time = moment.measured(reading, stamped=spec.has_source_time, longest_lag=BAD_AFTER * spec.period)
        verdict = self._history(value, time, running=running)
        if verdict is None and spec.range is not None and _outside(value, spec.range):
            reason = f"{spec.show(value)} is outside the range {_span(spec, spec.range)}"
            verdict = Status.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED, reason
        return verdict

    def _history(self, value: float, time: float, *, running: bool) -> Verdict | None:
        """Compare a value with those before it."""
        last, interval = self._last, time - self._last_time
        if last is None or interval > BAD_AFTER * self.spec.period:
            self._window.clear()  # after a gap nothing is known of the way here
            self._pending = None
            last = None
        verdict = None
        if last is not None:
            verdict = self._jump(value, last) or self._rate(value, last, interval)
        if self.spec.flat_line is not None:
            flat = self._flat(value, time, self.spec.flat_line, running=running)
            verdict = verdict or flat
        if self._pending is None:
            self._window.append(value)
            self._last, self._last_time = value, time
        return verdict

    def _jump(self, value: float, last: float) -> Verdict | None:
        limit = self.spec.spike
        if limit is None or abs(value - last) <= limit:
            self._pending = None
            return None
        if self._pending is not None and abs(value - self._pending) <= limit:
            self._pending = None  # two in a row agree: a step, not a spike
            self._window.clear()
            return None
        middle = statistics.median(self._window)
        spread = ROBUST_SD * statistics.median(abs(sample - middle) for sample in self._window)
        if abs(value - middle) <= SPIKE_SD * spread:
            self._pending = None
            return None
        self._pending = value
        jump = self.spec.show_difference(value - last)
        return Status.UNCERTAIN_SENSOR_NOT_ACCURATE, f"jumped by {jump} in one sample; not confirmed yet"

    def _rate(self, value: float, last: float, interval: float) -> Verdict | None:
        limit = self.spec.rate_limit
        if limit is None or not 0.0 < interval <= UNCERTAIN_AFTER * self.spec.period:
            return None  # no rate from a time that stood still or over a gap
        if abs(value - last) <= limit * interval + (self.spec.resolution or 0.0):
            return None
        change = self.spec.show_difference(value - last)
        most = self.spec.show_difference(limit)
        reason = f"changed by {change} in {interval:.3g} s; more than {most} a second is not credible"
        return Status.UNCERTAIN_SENSOR_NOT_ACCURATE, reason

    def _flat(self, value: float, time: float, limit: float, *, running: bool) -> Verdict | None:
        """Call a value frozen that stays the same to the last digit longer than noise would let it.

        How often a healthy signal repeats itself depends on its noise and resolution; that share is learned
        from its own past, so a coarse register is not called frozen because it is coarse.
        """
        if value != self._last:
            if self._samples > 20 * LEARNED:  # forget slowly
                self._samples, self._repeats = self._samples // 2, self._repeats // 2
            self._samples += self._flat_samples + 1
            self._repeats += self._flat_samples
            self._flat_samples, self._flat_since = 0, time
            return None
        if not running:
            self._flat_samples, self._flat_since = 0, time
            return None
        self._flat_samples += 1
        flat = time - self._flat_since
        if flat <= limit:
            return None
        if self._samples >= LEARNED:
            chance = (self._repeats + 1) / (self._samples + 2)
            if self._flat_samples * math.log(chance) > math.log(FLAT_CHANCE):
                return None
        reason = f"exactly {self.spec.show(value)} for {flat:.3g} s while the unit runs: frozen"
        frozen = flat > 2.0 * limit
        return (Status.BAD_SENSOR_FAILURE if frozen else Status.UNCERTAIN_SENSOR_NOT_ACCURATE), reason

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "received": self._received if math.isfinite(self._received) else None,
            "verdict": None if self._verdict is None else [int(self._verdict[0]), self._verdict[1]],
            "last": [self._last, self._last_time],
            "window": list(self._window),
            "pending": self._pending,
            "flat": [self._flat_since, self._flat_samples, self._samples, self._repeats],
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        received, verdict = state["received"], state["verdict"]
        self._received = -math.inf if received is None else received
        self._verdict = None if verdict is None else (Status(verdict[0]), verdict[1])
        self._last, self._last_time = state["last"]
        self._window = deque(state["window"], maxlen=WINDOW)
        self._pending = state["pending"]
        self._flat_since, self._flat_samples, self._samples, self._repeats = state["flat"]


def _fine(spec: SignalSpec) -> tuple[float, float]:
    """Return the values that lie within every range of a signal."""
    ranges = [limits for limits in (spec.possible, spec.gross, spec.range) if limits is not None]
    return max(low for low, _ in ranges), min(high for _, high in ranges)


def _outside(value: float, limits: tuple[float, float]) -> bool:
    """Whether a value is outside limits whose ends belong to them, whatever conversion does to a last bit."""
    low, high = limits
    return not low <= value <= high and not low - 1e-9 * (high - low) <= value <= high + 1e-9 * (high - low)


def _span(spec: SignalSpec, limits: tuple[float, float]) -> str:
    return f"{spec.show(limits[0])} to {spec.show(limits[1])}"
