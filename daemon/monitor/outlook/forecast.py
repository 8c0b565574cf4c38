"""When the reboiler will overheat and when the dew-point margin will be gone, if all goes on as it does.

Straight lines through the last minutes (``daemon.monitor.alarms.trend``), begun anew after every change of
the operating state: what a heating reboiler did says nothing of a hot one. A reboiler rises and falls with
its burner, so a forecast of overheating is made only above where its burner usually turns down. That is
learned from the peaks that it came back from (``ThermostatCycle``), for a set point in a site file need not
be the thermostat's.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calc.reboiler import DEGRADATION_TEMPERATURE
from daemon.model import OperatingState, Result
from daemon.monitor.alarms.trend import NEVER, Line, Window
from daemon.monitor.outlook.thermostat import ThermostatCycle
from daemon.monitor.outlook.view import View, absent, resting_on, waiting

REBOILER_WINDOW = 300.0
"""Time over which the reboiler's slope is taken [s]."""
MARGIN_WINDOW = 1800.0
"""The same of the dew-point margin [s]: three and more cycles of a usual thermostat."""
_HOT = frozenset({OperatingState.READY, OperatingState.BYPASS_OPEN, OperatingState.DRYING})


class Forecast:
    """Time to the reboiler's limit and to the end of the margin.

    Parameters
    ----------
    set_point : float
        Where the reboiler's thermostat is set [K].
    """

    def __init__(self, set_point: float) -> None:
        self._cycle = ThermostatCycle(set_point)
        self._reboiler = Window(REBOILER_WINDOW)
        self._margin = Window(MARGIN_WINDOW)
        self._state: OperatingState | None = None

    def results(self, view: View) -> dict[str, Result]:
        """Return ``reboiler_time_to_limit`` and ``margin_time_to_limit`` [s]; a day stands for not at all.

        The uncertainty is one standard deviation, from that of the slope.
        """
        if view.state is not self._state:
            self._state = view.state
            self._reboiler.clear()
            self._margin.clear()
        found: dict[str, Result] = {}
        if "reboiler_temperature" in view.signals:
            found["reboiler_time_to_limit"] = self._overheating(view)
        if "dew_point_margin" in view.results:
            found["margin_time_to_limit"] = self._wet(view)
        return found

    def _overheating(self, view: View) -> Result:
        name = "reboiler_temperature"
        temperature = view.value(name)
        line = self._reboiler.add(view.now, temperature)
        if temperature is not None and view.state in _HOT:
            self._cycle.look(view.now, temperature)
        top = self._cycle.top
        if temperature is not None and top is None:
            return waiting("it is not known yet up to where the burner usually heats")
        if temperature is not None and top is not None and temperature < top:
            return resting_on(view, (name,), NEVER, 0.0)
        if line is None and temperature is not None:
            return waiting("too few temperatures above the burner's usual range to tell where they lead")
        return _until(view, name, line, DEGRADATION_TEMPERATURE)

    def _wet(self, view: View) -> Result:
        name = "dew_point_margin"
        if not view.drying:
            return absent(f"the unit is {view.state.value}")
        line = self._margin.add(view.now, view.value(name))
        if line is None and view.value(name) is not None:
            return waiting("too few margins since drying began to tell where they lead")
        return _until(view, name, line, 0.0)

    def recalculated(self) -> None:
        """Begin the margin anew: a sample has made a step in it that is no trend."""
        self._margin.clear()

    def save(self, now: float) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "state": None if self._state is None else self._state.value,
            "reboiler": self._reboiler.ages(now),
            "margin": self._margin.ages(now),
            "cycle": self._cycle.save(),
        }

    def restore(self, saved: Mapping[str, Any], now: float) -> None:
        """Take over a saved state; ages count from ``now`` on the same time line."""
        self._state = None if saved["state"] is None else OperatingState(saved["state"])
        self._reboiler.resume(saved["reboiler"], now, 0.0)
        self._margin.resume(saved["margin"], now, 0.0)
        if "cycle" in saved:  # not in what an earlier version saved
            self._cycle.restore(saved["cycle"])


def _until(view: View, name: str, line: Line | None, limit: float) -> Result:
    """Return the time to a limit that lies above (a temperature) or below (a margin) [s]."""
    if line is None:
        return resting_on(view, (name,), NEVER)
    gap = limit - line.level
    beyond = gap <= 0.0 if limit else gap >= 0.0
    if beyond:
        return resting_on(view, (name,), 0.0, 0.0)
    if not line.significant or gap * line.slope <= 0.0 or abs(gap / line.slope) >= NEVER:
        return resting_on(view, (name,), NEVER, 0.0)
    expected = gap / line.slope
    return resting_on(view, (name,), expected, expected * line.slope_error / abs(line.slope))
