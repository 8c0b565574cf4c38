"""What the unit is doing, as one table over measured conditions; alarms are suppressed by it.

Theory of operation
-------------------
Six conditions are judged from measured signals, each with its own hysteresis and each true, false or
unknown: gas flows, the bypass is open, glycol circulates, the reboiler is hot, it is warm, it is being
fired. ``RULES`` is read from the top; the first row whose conditions all hold names the state. A row that
cannot be decided because a condition is unknown makes the state unknown, unless an earlier row has decided.

Two choices keep suppression on the safe side. While gas flows through the contactor and the bypass is shut
the unit is *drying*, whatever pump and reboiler do: a stopped pump or a cold reboiler is then a fault, never
a reason to suppress its own alarm. The same holds while gas flows with the bypass open; only a unit that
stands by-passed with pump and burner off and a cold reboiler is shut in, though the meter shows the gas that
goes round it. And a new state must last before it counts, longest where fewer alarms would be in force.

Start-up and shutdown follow the order of common practice: fill, circulate cold, light and heat, reach the
reboiler's temperature, open the contactor slowly, close the bypass last; burner off first, circulate until
the reboiler is below about 120 degC.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from daemon.model import OperatingState, Reading, Result

Truth = bool | None
"""True, false or unknown."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What is known of the unit at one instant; ``None`` where the data do not tell."""

    flowing: Truth
    """Gas flows through the contactor."""
    bypass: Truth
    """The bypass is not fully closed; taken as closed where it is not measured."""
    circulating: Truth
    """The pump strokes."""
    hot: Truth
    """The reboiler is near its set point."""
    warm: Truth
    """The reboiler is hot enough to keep circulating."""
    fired: Truth
    """The burner burns, or has burnt within a thermostat's cycle."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: the state, and what each condition must be for it; ``None`` means that it does not matter."""

    state: OperatingState
    flowing: Truth = None
    bypass: Truth = None
    circulating: Truth = None
    hot: Truth = None
    warm: Truth = None
    fired: Truth = None


RULES: tuple[Rule, ...] = (
    Rule(OperatingState.DRYING, flowing=True, bypass=False),
    Rule(OperatingState.SHUT_IN, flowing=True, bypass=True, circulating=False, warm=False, fired=False),
    Rule(OperatingState.BYPASS_OPEN, flowing=True, bypass=True),
    Rule(OperatingState.READY, hot=True),
    Rule(OperatingState.HEATING, fired=True),
    Rule(OperatingState.COOLING_DOWN, warm=True),
    Rule(OperatingState.COLD, circulating=True),
    Rule(OperatingState.SHUT_IN),
)

SETTLING: Mapping[OperatingState, float] = {
    OperatingState.DRYING: 10.0,
    OperatingState.UNKNOWN: 30.0,
    OperatingState.BYPASS_OPEN: 30.0,
    OperatingState.HEATING: 60.0,
    OperatingState.READY: 60.0,
    OperatingState.COOLING_DOWN: 60.0,
    OperatingState.COLD: 60.0,
    OperatingState.SHUT_IN: 60.0,
}
"""How long the signs of a new state must last before it counts [s]."""

HOT_ON, HOT_OFF = 10.0, 20.0
"""Hot from this much below the set point, until that much below it [K]."""
WARM_ON, WARM_OFF = 393.15, 383.15
"""Warm from 120 degC, until 110 degC [K] (shutdown order of common practice)."""
FLOW_ON, FLOW_OFF = 0.02, 0.01
"""Gas flows from this share of the full gas rate, until that one."""
BURNER_CYCLE = 180.0
"""A burner that burnt within this time is still firing: a thermostat switches it [s]."""
TREND_TIME, TREND = 300.0, 0.01
"""Without a flame signal: fired while the temperature rises faster than this [K/s] over that time [s]."""


class Hysteresis:
    """A condition that becomes true at one value and false at a lower one."""

    def __init__(self, on: float, off: float) -> None:
        self._on, self._off = on, off
        self.state: Truth = None

    def update(self, value: float | None) -> Truth:
        """Take a value; ``None`` makes the answer unknown but is not remembered."""
        if value is None:
            return None
        if value >= self._on:
            self.state = True
        elif value < self._off or self.state is None:
            self.state = False
        return self.state


def judge(conditions: Conditions) -> OperatingState:
    """Read the table."""
    for rule in RULES:
        verdict = _holds(rule, conditions)
        if verdict is None:
            return OperatingState.UNKNOWN
        if verdict:
            return rule.state
    return OperatingState.UNKNOWN


def _holds(rule: Rule, conditions: Conditions) -> Truth:
    """Say if a row holds: false if anything contradicts it, unknown if nothing does but something is open."""
    open_question = False
    for wanted, found in (
        (rule.flowing, conditions.flowing),
        (rule.bypass, conditions.bypass),
        (rule.circulating, conditions.circulating),
        (rule.hot, conditions.hot),
        (rule.warm, conditions.warm),
        (rule.fired, conditions.fired),
    ):
        if wanted is None:
            continue
        if found is None:
            open_question = True
        elif found is not wanted:
            return False
    return None if open_question else True


class OperatingStateMachine:
    """The operating state of one unit from scan to scan.

    Parameters
    ----------
    set_point : float
        Where the reboiler's thermostat is set [K].
    full_gas_rate : float
        Gas rate that counts as full [standard m3/s].
    least_glycol_rate : float
        Measured glycol rate from which glycol circulates [m3/s]; used where strokes are not known.
    measured : collection of str
        Names of the unit's signals: what is not measured cannot be waited for.
    """

    def __init__(
        self, set_point: float, full_gas_rate: float, least_glycol_rate: float, measured: Collection[str]
    ) -> None:
        self.state = OperatingState.UNKNOWN
        self._since = 0.0
        self._candidate: OperatingState | None = None
        self._candidate_since = 0.0
        self._hot = Hysteresis(set_point - HOT_ON, set_point - HOT_OFF)
        self._warm = Hysteresis(min(WARM_ON, set_point - HOT_OFF), min(WARM_OFF, set_point - HOT_OFF - 10.0))
        self._flowing = Hysteresis(FLOW_ON * full_gas_rate, FLOW_OFF * full_gas_rate)
        self._least_glycol_rate = least_glycol_rate
        self._has_bypass = "bypass_open" in measured
        self._has_burner = "burner_on" in measured
        self._burnt: float | None = None
        self._trend: Truth = None
        self._trend_base: tuple[float, float] | None = None
        self._started = False

    def update(
        self, signals: Mapping[str, Reading], results: Mapping[str, Result], now: float
    ) -> OperatingState:
        """Take one scan's checked readings and stroke results; return the state that counts."""
        found = judge(self.conditions(signals, results, now))
        if found is self.state:
            self._candidate = None
            return self.state
        if found is not self._candidate:
            self._candidate, self._candidate_since = found, now
        # The first state after a start counts at once: there is no earlier one to hold on to.
        if not self._started or now - self._candidate_since >= SETTLING[found]:
            self.state, self._since, self._candidate = found, now, None
            self._started = True
        return self.state

    def conditions(
        self, signals: Mapping[str, Reading], results: Mapping[str, Result], now: float
    ) -> Conditions:
        """Judge the six conditions from one scan."""
        temperature = _usable(signals, "reboiler_temperature")
        return Conditions(
            flowing=self._flowing.update(_usable(signals, "gas_rate")),
            bypass=_state(signals, "bypass_open") if self._has_bypass else False,
            circulating=self._circulating(signals, results),
            hot=self._hot.update(temperature),
            warm=self._warm.update(temperature),
            fired=self._fired(signals, temperature, now),
        )

    def _circulating(self, signals: Mapping[str, Reading], results: Mapping[str, Result]) -> Truth:
        """By the strokes, else by a measured glycol rate."""
        rate = results.get("stroke_rate")
        if rate is not None and rate.usable is not None:
            return rate.usable > 0.0
        measured = _usable(signals, "lean_glycol_rate")
        return None if measured is None else measured > self._least_glycol_rate

    def _fired(self, signals: Mapping[str, Reading], temperature: float | None, now: float) -> Truth:
        if not self._has_burner:
            return self._rising(temperature, now)
        burning = _state(signals, "burner_on")
        if burning:
            self._burnt = now
        recently = self._burnt is not None and now - self._burnt <= BURNER_CYCLE
        return True if recently else burning

    def _rising(self, temperature: float | None, now: float) -> Truth:
        if temperature is None:
            return None
        if self._trend_base is None or now - self._trend_base[0] > 2.0 * TREND_TIME:
            self._trend_base = now, temperature
        elif now - self._trend_base[0] >= TREND_TIME:
            rise = (temperature - self._trend_base[1]) / (now - self._trend_base[0])
            self._trend = rise > TREND
            self._trend_base = now, temperature
        return self._trend

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "state": self.state.value,
            "since": self._since,
            "candidate": None if self._candidate is None else self._candidate.value,
            "candidate_since": self._candidate_since,
            "hysteresis": [self._hot.state, self._warm.state, self._flowing.state],
            "burnt": self._burnt,
            "trend": [self._trend, self._trend_base],
            "started": self._started,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self.state = OperatingState(state["state"])
        self._since = state["since"]
        candidate = state["candidate"]
        self._candidate = None if candidate is None else OperatingState(candidate)
        self._candidate_since = state["candidate_since"]
        self._hot.state, self._warm.state, self._flowing.state = state["hysteresis"]
        self._burnt = state["burnt"]
        self._trend, base = state["trend"]
        self._trend_base = None if base is None else (base[0], base[1])
        self._started = state["started"]


def _usable(signals: Mapping[str, Reading], name: str) -> float | None:
    reading = signals.get(name)
    return None if reading is None else reading.usable


def _state(signals: Mapping[str, Reading], name: str) -> Truth:
    value = _usable(signals, name)
    return None if value is None else value != 0.0
