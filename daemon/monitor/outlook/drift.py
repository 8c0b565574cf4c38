"""Small lasting shifts that no limit shows: control charts on what should not change.

Each hour's mean of a residual is one sample. The unit's own first three days of drying say what is usual:
mean, scatter and how far an hour follows the one before it. Then a two-sided CUSUM (Page 1954) adds up what
exceeds half a deviation. Its decision limit is for one false alarm in two years of independent samples whose
usual behaviour is known. Learning it from 72 samples makes that about one a year, also for a residual that
follows its own past or the time of day (tests simulate both). A shift that has stood for two weeks is the new
usual.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from daemon.model import Result, Status
from daemon.monitor.alarms.charts import Cusum, Residual, cusum_limit
from daemon.monitor.outlook.view import View, absent, waiting

PERIOD = 3600.0
"""Time over which a residual is averaged into one sample [s]."""
LEARNING = 72
"""Samples from which the usual is learnt."""
SLACK = 0.5
"""Slack of the chart [standard deviations]: made for lasting shifts of one."""
FALSE_ALARM_EVERY = 730 * 86400.0
"""Mean time between false alarms of the chart, were the usual known exactly [s]."""
ACCEPTED_AFTER = 14 * 86400.0
"""A shift that has stood for this long is the new usual [s]."""
LIMIT = cusum_limit(FALSE_ALARM_EVERY, PERIOD, SLACK)


class DriftChart:
    """One residual under watch.

    Parameters
    ----------
    smallest_deviation : float
        A scatter below this is taken as this, in the residual's unit.
    """

    def __init__(self, smallest_deviation: float) -> None:
        self._smallest = smallest_deviation
        self._residual = Residual(PERIOD, LEARNING, smallest_deviation)
        self._chart = Cusum(LIMIT, SLACK)
        self._shifted_since: float | None = None

    def update(self, now: float, value: float | None) -> Result:
        """Take a value, ``None`` where there is none to learn from; return the sum over its limit.

        1 and more is a shift; the sign says to which side.
        """
        z = self._residual.add(now, value)
        if z is not None:
            self._chart.add(z)
            # A sum far beyond its limit would take as long to come back as the shift lasted.
            self._chart.upper = min(self._chart.upper, 1.5 * LIMIT)
            self._chart.lower = min(self._chart.lower, 1.5 * LIMIT)
            self._accept(now)
        if self._residual.learnt < LEARNING:
            return waiting(f"{self._residual.learnt} of {LEARNING} hours of drying learnt")
        up = self._chart.upper >= self._chart.lower
        most = self._chart.upper if up else self._chart.lower
        return Result(most / LIMIT, None, Status.GOOD, "" if most < LIMIT else f"shifted {_side(up=up)}")

    def _accept(self, now: float) -> None:
        if max(self._chart.upper, self._chart.lower) <= LIMIT:
            self._shifted_since = None
        elif self._shifted_since is None:
            self._shifted_since = now
        elif now - self._shifted_since >= ACCEPTED_AFTER:
            self._residual = Residual(PERIOD, LEARNING, self._smallest)
            self._chart = Cusum(LIMIT, SLACK)
            self._shifted_since = None

    def recalculated(self, step: float) -> None:
        """Go on with values that are higher by ``step`` than those before."""
        self._residual.shift(step)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        known = math.isfinite(self._residual.deviation)
        deviation = {"deviation": self._residual.deviation if known else None}
        return {
            "limit": LIMIT,
            "residual": asdict(self._residual) | deviation,
            "sums": [self._chart.upper, self._chart.lower],
            "shifted_since": self._shifted_since,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        learned = saved["residual"]
        if (learned["period"], learned["learning"], saved.get("limit")) == (PERIOD, LEARNING, LIMIT):
            known = {"smallest_deviation": self._smallest, "deviation": learned["deviation"] or math.inf}
            self._residual = Residual(**(learned | known))
            self._chart.upper, self._chart.lower = saved["sums"]
            self._shifted_since = saved["shifted_since"]


class Drifts:
    """The residuals that a unit's signals allow.

    * ``dew_point_drift``: measured less calculated outlet dew point. The calculation knows circulation,
      reboiler, gas and water load, so what drifts is what it does not know: tray efficiency, lean purity,
      the analyzer.
    * ``pump_efficiency`` and its drift: delivered over displaced volume, where a glycol meter exists.

    Parameters
    ----------
    displacement : float
        Of the pump in service, glycol a stroke before efficiency [m3].
    """

    def __init__(self, displacement: float) -> None:
        self._displacement = displacement
        self._dew_point = DriftChart(0.3)
        self._pump = DriftChart(0.01)

    def results(self, view: View) -> dict[str, Result]:
        """Return the drifts as shares of their limits, and the pump's efficiency."""
        found: dict[str, Result] = {}
        if "measured_dew_point" in view.results or "outlet_water_content" in view.signals:
            measured, calculated = view.good("measured_dew_point"), view.good("calculated_dew_point")
            known = view.drying and measured is not None and calculated is not None
            difference = measured - calculated if known and measured and calculated else None
            found["dew_point_drift"] = self._dew_point.update(view.now, difference)
        if "lean_glycol_rate" in view.signals and "stroke_rate" in view.results:
            found |= self._pump_results(view)
        return found

    def recalculated(self, step: float) -> None:
        """Go on with calculated dew points that a sample has made higher by ``step`` [K]."""
        self._dew_point.recalculated(-step)

    def _pump_results(self, view: View) -> dict[str, Result]:
        delivered, strokes = view.good("lean_glycol_rate"), view.good("stroke_rate")
        efficiency = None
        if delivered is not None and strokes and view.circulating:
            efficiency = delivered / (strokes * self._displacement)
        found = absent("strokes or glycol meter give nothing")
        if efficiency is not None:
            found = Result(efficiency, None, Status.GOOD)
        return {
            "pump_efficiency": found,
            "pump_efficiency_drift": self._pump.update(view.now, efficiency),
        }

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"dew_point": self._dew_point.save(), "pump": self._pump.save()}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._dew_point.restore(saved["dew_point"])
        self._pump.restore(saved["pump"])


def _side(*, up: bool) -> str:
    return "up" if up else "down"
