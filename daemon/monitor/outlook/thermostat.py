"""Up to where a reboiler's burner usually heats, learned from the peaks that the temperature came back from.

A burner that is stuck on makes no peak, so overheating cannot teach that overheating is usual.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from typing import Any

from calc.reboiler import DEGRADATION_TEMPERATURE
from config.thermostat import THERMOSTAT_BAND

REVERSAL = 1.0
"""A temperature has turned when it is so far from its last extreme [K]; ours, well above noise."""
SMOOTHING = 30.0
"""Time constant against noise [s]; a burner's cycle takes minutes."""
PEAKS = 9
"""Peaks of which the usual one is the median: five cycles after a thermostat was set higher that is usual."""
ENOUGH = 3
"""Before so many peaks the highest one counts."""
CLEARANCE = 2.0
"""Least distance from the usual peak to what is unusual [K]: loads and weather move the peaks; ours."""
DEVIATIONS = 3.0
"""The same in standard deviations of the peaks, by their median deviation (1.4826 MAD)."""
HIGHEST = DEGRADATION_TEMPERATURE - THERMOSTAT_BAND
"""From here on [K] it is told where a rise leads, unless the burner has taught that it heats farther."""


class ThermostatCycle:
    """The usual peaks of one reboiler.

    Parameters
    ----------
    set_point : float
        Where the site file says that the thermostat is set [K].
    """

    def __init__(self, set_point: float) -> None:
        self._band = set_point + THERMOSTAT_BAND
        self._peaks: list[float] = []
        self._smooth: float | None = None
        self._seen = 0.0
        self._extreme = 0.0
        self._rising = True
        self._seen_below = False

    def look(self, now: float, temperature: float) -> None:
        """Take the temperature [K] of a hot reboiler."""
        if self._smooth is None:
            self._smooth = self._extreme = temperature
        else:
            share = 1.0 - math.exp(-max(0.0, now - self._seen) / SMOOTHING)
            self._smooth += share * (temperature - self._smooth)
        self._seen = now
        self._seen_below = self._seen_below or self._smooth < self._band
        way = 1.0 if self._rising else -1.0
        if way * (self._smooth - self._extreme) >= 0.0:
            self._extreme = self._smooth
        elif way * (self._extreme - self._smooth) > REVERSAL:
            if self._rising:
                self._peaks = [*self._peaks, self._extreme][-PEAKS:]
            self._rising = not self._rising
            self._extreme = self._smooth

    @property
    def top(self) -> float | None:
        """Temperature above which a rise is unusual [K]; ``None`` before anything is known.

        Before the first peak the set point's band counts, and the clearance on top: no cycle has been seen
        yet. A reboiler that was never seen below that band is not set to the site file's set point.

        Near the breakdown temperature the clearance shrinks to what a peak is told from noise by: a burner
        that turns down at 399 degF every quarter of an hour is no overheating, one that goes on is.
        """
        if not self._peaks:
            if not self._seen_below and self._smooth is not None:
                return None
            return min(self._band + CLEARANCE, max(self._band, HIGHEST), DEGRADATION_TEMPERATURE - REVERSAL)
        usual = max(self._peaks)
        scatter = 0.0
        if len(self._peaks) >= ENOUGH:
            usual = statistics.median(self._peaks)
            scatter = DEVIATIONS * 1.4826 * statistics.median(abs(peak - usual) for peak in self._peaks)
        unusual = max(self._band, usual + max(CLEARANCE, scatter))
        return min(unusual, max(HIGHEST, usual + max(REVERSAL, scatter)), DEGRADATION_TEMPERATURE)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "peaks": self._peaks,
            "smooth": self._smooth,
            "seen": self._seen,
            "extreme": self._extreme,
            "rising": self._rising,
            "seen_below": self._seen_below,
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._peaks = list(saved["peaks"])
        self._smooth, self._seen = saved["smooth"], saved["seen"]
        self._extreme, self._rising = saved["extreme"], saved["rising"]
        self._seen_below = saved["seen_below"]
