"""What laboratory samples do to the calculation of one unit: its design, two results, and a step to mind."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from calc import unit as calculation
from calc.readings import Design, Readings, Results, Uncertainties
from config.site import DehydrationUnit
from daemon.model import Quality, Result
from daemon.monitor.lean_purity import HOUR, MODEL, Correction, LeanPurity, SampleTaken


class PurityCorrection:
    """Keeps the design by which a unit is calculated; without a sample it is the unit's own, untouched.

    Parameters
    ----------
    unit : DehydrationUnit
        The unit.
    design : Design
        Its design.

    Attributes
    ----------
    design : Design
        The design with the correction that is in force.
    correction : Correction or None
        That correction.
    """

    def __init__(self, unit: DehydrationUnit, design: Design) -> None:
        changed = unit.reboiler.glycol_changed_on
        basis = (
            design.barometric_pressure,
            design.still_back_pressure,
            design.stripping_gas_ratio,
            design.stripping_stages,
            0.0 if changed is None else float(changed.toordinal()),
        )
        self._own = self.design = design
        self.correction: Correction | None = None
        self._purity = LeanPurity(basis, max(60.0, 3.0 * unit.scan_period))
        self._hour: int | None = None
        self._stepping = False
        self._before: Correction | None = None

    def take(self, taken: float, water: float, now: float) -> SampleTaken:
        """Take a laboratory's water in the lean glycol; as ``LeanPurity.take``."""
        self.refresh(now)
        answer = self._purity.take(taken, water, now)
        if not answer.complaint:
            self._step(now)
        return answer

    def forget(self, since: float, now: float) -> bool:
        """Take no sample that was drawn before ``since`` [POSIX s]; return whether one had counted."""
        self.refresh(now)
        counted = self.correction is not None
        self._purity.forget(since)
        if counted:
            self._step(now)
        return counted

    def _step(self, now: float) -> None:
        if not self._stepping:
            self._stepping, self._before = True, self.correction
        self._hour = None
        self.refresh(now)

    def refresh(self, time: float) -> None:
        """Bring the correction up to date [POSIX s], once an hour: it fades by days."""
        hour = int(time // HOUR)
        if hour != self._hour:
            self._hour = hour
            self.correction = self._purity.correction(hour * HOUR)
            self.design = self._corrected(self.correction)

    def _corrected(self, correction: Correction | None) -> Design:
        if correction is None:
            return self._own
        factor, uncertainty = correction
        return dataclasses.replace(
            self._own, lean_water_factor=factor, lean_water_factor_uncertainty=uncertainty
        )

    def watch(self, lean: Result, now: float, time: float, *, circulating: bool) -> dict[str, Result]:
        """Remember what the calculation alone gives; return it, and the bias, where samples count.

        Parameters
        ----------
        lean : Result
            Lean mass fraction with the correction [kg/kg].
        now : float
            On the monitor's time line [s].
        time : float
            POSIX seconds.
        circulating : bool
            Whether glycol goes round.
        """
        value, correction = lean.value, self.correction
        factor = 1.0 if correction is None else correction.factor
        steady = circulating and lean.quality is Quality.GOOD
        self._purity.watch(time, now, None if value is None or not steady else (1.0 - value) / factor)
        if correction is None:
            return {}
        if value is None or lean.uncertainty is None:
            return {"lean_purity_bias": lean, "calculated_lean_mass_fraction": lean}
        water = 1.0 - value
        learned = correction.uncertainty * water
        instruments = math.sqrt(max(0.0, lean.uncertainty**2 - learned**2)) / factor
        alone = 1.0 - water / factor, math.hypot(instruments, MODEL * water / factor)
        return {
            "lean_purity_bias": Result(value - alone[0], learned, lean.status, lean.reason),
            "calculated_lean_mass_fraction": Result(*alone, lean.status, lean.reason),
        }

    def step(self, values: Mapping[str, float], uncertainties: Uncertainties, found: Results) -> float:
        """Return by how much a new sample made the calculated dew point higher [K], once; else zero.

        What is learned from that dew point goes on from there. Where it cannot be calculated now, it is told
        when it can.
        """
        after = float(found.outlet_dew_point.value)
        if not self._stepping or math.isnan(after):
            return 0.0
        design = self._corrected(self._before)
        before = float(calculation.evaluate(Readings(**values), design, uncertainties).outlet_dew_point.value)
        if math.isnan(before):
            return 0.0
        self._stepping, self._before = False, None
        return after - before

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"samples": self._purity.save(), "stepping": self._stepping, "before": self._before}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        before = state["before"]
        self._purity.restore(state["samples"])
        self._stepping = state["stepping"]
        self._before = None if before is None else Correction(*before)
        self._hour = None
