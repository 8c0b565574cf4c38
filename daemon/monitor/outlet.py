"""The outlet dew point, pulled toward the plant's own truth where there is an analyzer.

Three cases:

* **No analyzer**: the calculation stands, with its wide uncertainty.
* **Analyzer in order**: calculation and measurement are averaged with the inverse of their variances as
  weights (the best linear estimate of two independent ones; JCGM 100:2008 gives the rule for uncertainty).
  As the calculation is far less certain, the analyzer all but decides.
* **Analyzer bad**: the calculation is corrected by the bias that it showed against the analyzer before. The
  correction is worth ``exp(-age / 1 day)`` of what it was: conditions drift away from those it was learned
  in. The result is uncertain, because a substitute is used.

The bias is an exponentially weighted mean over about an hour of drying. Water removed, circulation ratio and
required circulation stay as calculated: the outlet content is a small part of the inlet content.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calc.errors import CalcError
from calc.water import dew_point_at_pressure, saturated_water_content, water_dew_point
from daemon.model import Quality, Reading, Result, Status

LEARNING_TIME = 3600.0
"""Time constant of the learned bias [s]."""
FADING_TIME = 86400.0
"""Time constant with which a bias that is no longer measured loses its worth [s]."""
DISAGREEMENT = 3.0
"""Measurement and calculation disagree beyond so many combined standard uncertainties."""
CLAUSIUS_CLAPEYRON = 5400.0
"""Heat of vaporisation of water near 0 degC over the gas constant [K]: d ln W / d(1/T), to a few percent."""
WATER_CONTENT_UNCERTAINTY = 0.05
"""Relative standard uncertainty of a water content analyzer without one of its own; common practice."""
DEW_POINT_UNCERTAINTY = 1.0
"""Standard uncertainty of a dew point analyzer without one of its own [K]; common practice."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the analyzer says: water content [kg per standard m3], dew point at the limit's pressure [K]."""

    content: float
    dew_point: float
    uncertainty: float
    """Of the dew point [K]."""
    quality: Quality
    reason: str


def measured_outlet(
    signals: Mapping[str, Reading],
    uncertainties: Mapping[str, float | None],
    gas_pressure: float,
    limit_pressure: float,
) -> Measured | str | None:
    """Read the outlet analyzer; ``None`` without one, the reason in words when it gives nothing.

    Parameters
    ----------
    signals : mapping
        Checked readings.
    uncertainties : mapping
        Configured standard uncertainties by signal name, SI.
    gas_pressure, limit_pressure : float
        In the contactor, and where the limit holds [Pa]; NaN where not known.
    """
    reading = signals.get("outlet_water_content")
    name = "outlet_water_content"
    if reading is None or (reading.usable is None and "outlet_dew_point" in signals):
        name = "outlet_dew_point"
        reading = signals.get(name)
    if reading is None:
        return None
    value = reading.usable
    if value is None:
        return f"{name} is bad: {reading.reason}"
    is_content = name == "outlet_water_content"
    if math.isnan(limit_pressure) or (math.isnan(gas_pressure) and not is_content):
        return "contactor_pressure is bad, so the analyzer cannot be compared with the limit"
    own = uncertainties.get(name)
    try:
        if is_content:
            content = value
            dew_point = float(water_dew_point(content, limit_pressure))
            relative = own / content if own is not None else WATER_CONTENT_UNCERTAINTY
            uncertainty = relative * dew_point**2 / CLAUSIUS_CLAPEYRON
        else:
            content = float(saturated_water_content(value, gas_pressure))
            dew_point = float(dew_point_at_pressure(value, gas_pressure, limit_pressure))
            uncertainty = own if own is not None else DEW_POINT_UNCERTAINTY
    except CalcError as error:
        return f"{name} cannot be used: {error}"
    return Measured(content, dew_point, uncertainty, reading.quality, reading.reason)


class OutletEstimate:
    """Combines calculated and measured outlet dew point, and remembers how they differed."""

    def __init__(self) -> None:
        self._bias: float | None = None
        self._scatter = 0.0  # variance of the difference about the bias [K2]
        self._learned = 0.0

    def combine(
        self, calculated: Result, measured: Measured | str | None, now: float, *, learn: bool
    ) -> Result:
        """Return the best outlet dew point [K].

        Parameters
        ----------
        calculated : Result
            By calculation alone [K].
        measured : Measured, str or None
            From ``measured_outlet``.
        now : float
            On the monitor's time line [s].
        learn : bool
            Whether the unit dries gas, so that the two are comparable.
        """
        if measured is None:
            return calculated
        if isinstance(measured, str):
            return self._corrected(calculated, measured, now)
        status, reason = Status.GOOD, ""
        if measured.quality is not Quality.GOOD:
            status, reason = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED, f"analyzer: {measured.reason}"
        if calculated.value is None or calculated.uncertainty is None:
            return Result(measured.dew_point, measured.uncertainty, status, reason)
        difference = measured.dew_point - calculated.value
        if learn and measured.quality is Quality.GOOD and calculated.quality is Quality.GOOD:
            self._learn(difference, measured.uncertainty, now)
        calculated_variance, measured_variance = calculated.uncertainty**2, measured.uncertainty**2
        total = calculated_variance + measured_variance
        value = calculated.value + difference * calculated_variance / total
        uncertainty = math.sqrt(calculated_variance * measured_variance / total)
        if abs(difference) > DISAGREEMENT * math.sqrt(total):
            # Two estimates that exclude each other: what they claim to know is too much (Birge ratio).
            uncertainty *= abs(difference) / math.sqrt(total)
            if status is Status.GOOD:
                status = Status.UNCERTAIN_SENSOR_NOT_ACCURATE
                reason = f"analyzer and calculation differ by {abs(difference):.1f} K"
        return Result(value, uncertainty, status, reason)

    def bias(self, now: float) -> Result | None:
        """Return the learned bias, measured less calculated [K]; ``None`` before there is one."""
        if self._bias is None:
            return None
        fresh = now - self._learned <= LEARNING_TIME
        status = Status.GOOD if fresh else Status.UNCERTAIN_LAST_USABLE_VALUE
        reason = "" if fresh else f"not measured for {(now - self._learned) / 3600:.1f} h"
        return Result(self._bias, math.sqrt(self._scatter), status, reason)

    def _learn(self, difference: float, uncertainty: float, now: float) -> None:
        if self._bias is None:
            self._bias, self._scatter = difference, uncertainty**2
        else:
            share = 1.0 - math.exp(-max(0.0, now - self._learned) / LEARNING_TIME)
            residual = difference - self._bias
            self._bias += share * residual
            self._scatter += share * (max(residual**2, uncertainty**2) - self._scatter)
        self._learned = now

    def _corrected(self, calculated: Result, complaint: str, now: float) -> Result:
        if calculated.value is None or calculated.uncertainty is None:
            return calculated
        worth = 0.0 if self._bias is None else math.exp(-max(0.0, now - self._learned) / FADING_TIME)
        value = calculated.value + worth * (self._bias or 0.0)
        variance = (1.0 - worth**2) * calculated.uncertainty**2 + worth**2 * self._scatter
        if calculated.quality is not Quality.GOOD:
            return Result(value, math.sqrt(variance), calculated.status, calculated.reason)
        reason = f"{complaint}; calculated instead"
        return Result(value, math.sqrt(variance), Status.UNCERTAIN_SUBSTITUTE_VALUE, reason)

    def recalculated(self, step: float) -> None:
        """Go on with a calculation that gives a dew point higher by ``step`` [K] than before."""
        if self._bias is not None:
            self._bias -= step

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"bias": self._bias, "scatter": self._scatter, "learned": self._learned}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._bias, self._scatter, self._learned = state["bias"], state["scatter"], state["learned"]
