"""Which installed pump suits the present load: advice for the change of seasons.

The circulation that the load requires is averaged over days, so that neither a warm afternoon nor a shut-in
makes anybody carry pumps about.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from calc.pump import Fit, PumpDesign, PumpFit, suitable_pumps
from config.site import DehydrationUnit
from daemon.model import Result, Status
from daemon.monitor.outlook.view import View, waiting
from daemon.monitor.stall import stall_rate

AVERAGING = 2 * 86400.0
"""Time constant of the averaged load [s]."""
ENOUGH = 86400.0
"""Drying time after which advice is given [s]."""
LONGEST_STRETCH = 60.0
SPREAD = 2.0
"""The load is taken to range over so many standard deviations to both sides."""
NAME = "pump_change_advised"


class SeasonAdvice:
    """Compares the installed pumps with the load of the last days."""

    def __init__(self, unit: DehydrationUnit) -> None:
        self._pumps = unit.pumps
        self._in_service = unit.pump_in_service.name
        self._mean = 0.0
        self._variance = 0.0
        self._watched = 0.0
        self._seen: float | None = None

    def results(self, view: View) -> dict[str, Result]:
        """Return ``pump_change_advised`` [1 or 0], with the advice in its reason."""
        if len(self._pumps) < 2:
            return {}
        required = view.good("required_circulation_rate") if view.drying else None
        if required is not None and required > 0.0:
            self._learn(required, view.now)
        else:
            self._seen = None
        if self._watched < ENOUGH:
            return {NAME: waiting("the load has not been watched for a day of drying yet")}
        spread = SPREAD * math.sqrt(self._variance)
        lowest = max(self._mean - spread, 0.5 * self._mean)
        designs = [
            PumpDesign(
                pump.name,
                pump.displacement,
                stall_rate(pump, view.time).value or pump.stall_rate,
                pump.maximum_rate,
                pump.volumetric_efficiency,
            )
            for pump in self._pumps
        ]
        fits = suitable_pumps(designs, lowest, self._mean + spread)
        best, present = fits[0], next(fit for fit in fits if fit.pump == self._in_service)
        better = best.pump != present.pump and best.fit is Fit.SERVES and present.fit is not Fit.SERVES
        return {NAME: Result(float(better), None, Status.GOOD, _advice(best, present) if better else "")}

    def _learn(self, required: float, now: float) -> None:
        if self._seen is not None:
            passed = min(max(0.0, now - self._seen), LONGEST_STRETCH)
            self._watched = min(self._watched + passed, AVERAGING)
            # A plain mean at first, which becomes an exponentially weighted one.
            share = passed / max(self._watched, passed, 1.0)
            step = required - self._mean
            self._mean += share * step
            self._variance = (1.0 - share) * (self._variance + share * step * step)
        elif self._watched == 0.0:
            self._mean = required
        self._seen = now

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "mean": self._mean,
            "variance": self._variance,
            "watched": self._watched,
            "seen": self._seen,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._mean, self._variance = saved["mean"], saved["variance"]
        self._watched, self._seen = saved["watched"], saved["seen"]


def _advice(best: PumpFit, present: PumpFit) -> str:
    return (
        f"{best.pump} serves the load of the last days at {60 * best.lowest_stroke_rate:.1f} to "
        f"{60 * best.highest_stroke_rate:.1f} /min; {present.pump} {_said(present)}"
    )


def _said(present: PumpFit) -> str:
    if present.fit is Fit.TOO_SMALL:
        return f"would need {60 * present.highest_stroke_rate:.1f} /min, more than its maximum"
    return (
        f"would need {60 * present.lowest_stroke_rate:.1f} /min, below its stall rate, "
        f"and pumps {present.overcirculation:.1f} times what is needed"
    )
