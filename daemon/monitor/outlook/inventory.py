"""The glycol itself: how fast it is being lost, how old it is, what heat has done to it."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from typing import Any

from calc.reboiler import ThermalExposure, expose
from daemon.model import Result, Status
from daemon.monitor.alarms.trend import Window
from daemon.monitor.outlook.view import View, absent, resting_on, waiting

DAY = 86400.0
LOSS_WINDOW = 6 * 3600.0
"""Time over which the surge level's slope is taken [s]: the night's cold moves it too."""
MADE_UP = 0.03
"""A level that rises by this share of the tank from one look to the next was made up."""
LONGEST_STRETCH = 60.0
"""A temperature counts for no longer than this after it was seen [s]."""
_POSSIBLE = (273.15, 600.0)
_EPOCH_DAY = datetime.date(1970, 1, 1).toordinal()


class GlycolLoss:
    """Loss of glycol from the trend of the surge level while glycol circulates."""

    def __init__(self) -> None:
        self._window = Window(LOSS_WINDOW)
        self._level: float | None = None

    def results(self, view: View) -> dict[str, Result]:
        """Return ``glycol_loss_rate``, the share of the surge tank that is lost a day."""
        if "surge_level" not in view.signals:
            return {}
        level = view.value("surge_level")
        if not view.circulating:
            self._window.clear()
            self._level = None
            return {"glycol_loss_rate": absent(f"the unit is {view.state.value}")}
        if level is not None:
            if self._level is not None and level - self._level > MADE_UP:
                self._window.clear()
            self._level = level
        line = self._window.add(view.now, level)
        if line is None:
            missing = resting_on(view, ("surge_level",), 0.0)
            reason = "the level has not been watched for three hours of circulation yet"
            return {"glycol_loss_rate": waiting(reason) if missing.usable is not None else missing}
        loss, error = -line.slope * DAY, line.slope_error * DAY
        return {"glycol_loss_rate": resting_on(view, ("surge_level",), loss, error)}

    def save(self, now: float) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"samples": self._window.ages(now), "level": self._level}

    def restore(self, saved: Mapping[str, Any], now: float) -> None:
        """Take over a saved state."""
        self._window.resume(saved["samples"], now, 0.0)
        self._level = saved["level"]


class GlycolExposure:
    """Age and thermal exposure of the glycol since it was last changed.

    What heat did before the daemon first watched is not known and does not count; the time does.

    Parameters
    ----------
    changed_on : datetime.date or None
        When the glycol was last changed, from the site file. A later entry in the log book outdoes it;
        another date in the file begins a new count. Without either there is no age to tell.
    """

    def __init__(self, changed_on: datetime.date | None) -> None:
        self._changed_on = None if changed_on is None else changed_on.toordinal()
        self._changed = None if self._changed_on is None else (self._changed_on - _EPOCH_DAY) * DAY
        self._exposure = ThermalExposure()
        self._seen: float | None = None

    def changed(self, time: float) -> None:
        """Begin anew with glycol that was filled in at a time [POSIX s]; older news changes nothing."""
        if self._changed is None or time > self._changed:
            self._changed = time
            self._exposure = ThermalExposure()

    def results(self, view: View) -> dict[str, Result]:
        """Return ``glycol_age`` [s] and ``glycol_exposure``, the share of the change interval used up."""
        if self._changed is None or "reboiler_temperature" not in view.signals:
            return {}
        self._expose(view)
        age = max(0.0, view.time - self._changed)
        exposure = self._exposure._replace(time=age)
        return {
            "glycol_age": Result(age, None, Status.GOOD),
            "glycol_exposure": Result(exposure.used_interval, None, Status.GOOD),
        }

    def _expose(self, view: View) -> None:
        if self._seen is not None:
            temperature = view.value("reboiler_temperature")
            known = temperature is not None and _POSSIBLE[0] <= temperature <= _POSSIBLE[1]
            passed = max(0.0, view.now - self._seen)
            heated = min(passed, LONGEST_STRETCH) if known else 0.0
            self._exposure = expose(self._exposure, math.nan, passed - heated)
            if known and temperature is not None:
                self._exposure = expose(self._exposure, temperature, heated)
        self._seen = view.now

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "changed_on": self._changed_on,
            "changed": self._changed,
            "exposure": list(self._exposure),
            "seen": self._seen,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state, unless the glycol has been changed since."""
        self._seen = saved["seen"]
        if saved["changed_on"] == self._changed_on:
            self._exposure = ThermalExposure(*saved["exposure"])
            self._changed = saved.get("changed", self._changed)  # not in what an earlier version saved
