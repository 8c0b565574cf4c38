"""Whether the order is kept: glycol before fire, heat before gas, the bypass last and slowly and then shut.

Common practice (no source) is: fill, circulate cold, light and heat, reach the reboiler's temperature, open
the contactor slowly, close the bypass last. Some sites heat before they circulate, so a reboiler that is hot
without circulation is told only once it has circulated hot, or after a while. Each departure is a result of
its own that is 1 while it holds and 0 otherwise, and only where the signals exist that show it. Nothing here
says what to do: the site's start-up procedure does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from config.site import DehydrationUnit
from daemon.model import OperatingState, Result
from daemon.monitor.outlook.view import View, resting_on

COLD_BY = 20.0
"""The reboiler counts as not ready so much below its set point [K], as in the operating state."""
ADMITTED_WITHIN = 300.0
"""Gas is admitted slowly if it takes longer than this to come [s]; ours."""
ADMITTED_SHARE = 0.5
"""Share of the full gas rate that may come within that time; ours."""
SETTLED = 1800.0
"""How long after gas first came a start-up lasts [s]."""
HOT_WITHOUT_GLYCOL = 1800.0
"""How long a start-up may keep the reboiler hot before glycol circulates [s]; ours."""
BURNER_CYCLE = 180.0
"""A burner that burnt within this time is still firing [s], as in the operating state."""

_STANDING = frozenset(
    {
        OperatingState.SHUT_IN,
        OperatingState.COLD,
        OperatingState.HEATING,
        OperatingState.READY,
        OperatingState.COOLING_DOWN,
    }
)


class StartUpWatch:
    """Watches the order of a start-up.

    Parameters
    ----------
    unit : DehydrationUnit
        For the reboiler's set point and least level.
    full_gas_rate : float
        Gas rate that counts as full [standard m3/s].
    """

    def __init__(self, unit: DehydrationUnit, full_gas_rate: float) -> None:
        self._ready = unit.reboiler.set_point - COLD_BY
        self._least_level = unit.reboiler.least_level
        self._most_gas = ADMITTED_SHARE * full_gas_rate
        self._starting = False
        self._gas_since: float | None = None
        self._early = False
        self._bypass_early = False
        self._bypass: bool | None = None
        self._gas: deque[tuple[float, float]] = deque()
        self._bypass_opened = False
        self._burning: bool | None = None
        self._lit_bare = False
        self._burnt: float | None = None
        self._idle_since: float | None = None
        self._circulated = False

    def results(self, view: View) -> dict[str, Result]:
        """Return the departures [1 or 0] that this site's signals can show."""
        self._follow(view)
        found: dict[str, Result] = {}
        signals = view.signals
        if self._least_level is not None and "burner_on" in signals and "reboiler_level" in signals:
            level = view.value("reboiler_level")
            bare = level is not None and level < self._least_level
            lit = float(self._lit_without_level(view, bare=bare))
            found["fired_without_level"] = resting_on(view, ("burner_on", "reboiler_level"), lit)
        if "stroke_rate" in view.results and "reboiler_temperature" in signals:
            idle = float(self._fired_without_circulation(view))
            found["fired_without_circulation"] = resting_on(
                view, ("stroke_rate", "reboiler_temperature"), idle
            )
        if "bypass_open" in signals and "gas_rate" in signals:
            opened = float(self._bypass_opened)
            found["bypass_opened_in_service"] = resting_on(view, ("bypass_open",), opened)
        if "gas_rate" in signals and "reboiler_temperature" in signals:
            needs = ("gas_rate", "reboiler_temperature")
            found["gas_before_hot"] = resting_on(view, needs, float(self._early))
            if "bypass_open" in signals:
                needs = ("bypass_open", "reboiler_temperature")
                found["bypass_closed_early"] = resting_on(view, needs, float(self._bypass_early))
        if "gas_rate" in signals:
            found["gas_admitted_fast"] = resting_on(view, ("gas_rate",), float(self._admitted_fast(view)))
        return found

    def _follow(self, view: View) -> None:
        temperature = view.value("reboiler_temperature")
        cold = temperature is not None and temperature < self._ready
        if view.state in _STANDING:
            self._starting, self._gas_since = True, None
            self._early = self._bypass_early = False
        elif view.circulating:
            if self._starting and self._gas_since is None:
                self._gas_since = view.now
                self._early = cold
            if self._gas_since is not None and view.now - self._gas_since > SETTLED:
                self._starting = False
        bypass = view.truth("bypass_open")
        standing_pump = (view.value("stroke_rate") or 0.0) <= 0.0
        if bypass is False and self._bypass is True and self._starting and (cold or standing_pump):
            self._bypass_early = True
        if bypass and self._bypass is False and view.drying and not self._starting:
            self._bypass_opened = True
        if bypass is False or view.state in _STANDING:
            self._bypass_opened = False
        if bypass is not None:
            self._bypass = bypass
        if temperature is not None and not cold:
            self._early = False
            self._bypass_early = self._bypass_early and standing_pump
        if bypass:
            self._bypass_early = False

    def _lit_without_level(self, view: View, *, bare: bool) -> bool:
        """Whether the burner was lit over a low level; one lost while it burns is the level's own alarm."""
        burner = view.truth("burner_on")
        if burner is not None:
            if burner and self._burning is False and bare:
                self._lit_bare = True
            self._lit_bare = self._lit_bare and burner and bare
            self._burning = burner
        return self._lit_bare

    def _fired_without_circulation(self, view: View) -> bool:
        """Whether a hot reboiler is fired and its pump stands, which no start-up needs for long."""
        temperature, strokes = view.value("reboiler_temperature"), view.value("stroke_rate")
        if view.truth("burner_on"):
            self._burnt = view.now
        if temperature is None or strokes is None:
            return False
        hot = temperature >= self._ready
        self._circulated = hot and (self._circulated or strokes > 0.0)
        if not hot or strokes > 0.0:
            self._idle_since = None
            return False
        if self._idle_since is None:
            self._idle_since = view.now
        if view.now - self._idle_since > HOT_WITHOUT_GLYCOL:
            return "burner_on" not in view.signals or self._fires(view.now)
        return self._circulated and self._fires(view.now)

    def _fires(self, now: float) -> bool:
        return self._burnt is not None and now - self._burnt <= BURNER_CYCLE

    def _admitted_fast(self, view: View) -> bool:
        """Whether more gas came within five minutes of a start-up than should."""
        rate = view.value("gas_rate")
        if rate is None:
            return False
        gas = self._gas
        gas.append((view.now, rate))
        while view.now - gas[0][0] > ADMITTED_WITHIN:
            gas.popleft()
        return self._starting and rate - min(value for _, value in gas) > self._most_gas

    def save(self, now: float) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "starting": self._starting,
            "gas_since": self._gas_since,
            "early": [self._early, self._bypass_early],
            "bypass": self._bypass,
            "gas": [[now - at, rate] for at, rate in self._gas],
            "bypass_opened": self._bypass_opened,
            "lit": [self._burning, self._lit_bare],
            "circulation": [self._burnt, self._idle_since, self._circulated],
        }

    def restore(self, saved: Mapping[str, Any], now: float) -> None:
        """Take over a saved state."""
        self._starting, self._gas_since = saved["starting"], saved["gas_since"]
        self._early, self._bypass_early = saved["early"]
        self._bypass = saved["bypass"]
        self._gas = deque((now - age, rate) for age, rate in saved["gas"])
        if "circulation" in saved:  # not in what an earlier version saved
            self._bypass_opened = saved["bypass_opened"]
            self._burning, self._lit_bare = saved["lit"]
            self._burnt, self._idle_since, self._circulated = saved["circulation"]
