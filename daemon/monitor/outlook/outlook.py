"""All results that take longer than a scan to tell, worked out every few seconds and shown in between.

One look costs as much as a third of a step; looked at every five seconds it costs a step next to nothing, and
nothing that is watched here moves faster. Between two looks the results of the last one stand, so a bad input
shows in them up to five seconds late; process alarms that need to be quicker do not rest on them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from config.site import DehydrationUnit
from daemon.model import LikelyCause, Result, Status
from daemon.monitor.alarms.diagnosis import diagnose
from daemon.monitor.outlook.capacity import Capacity
from daemon.monitor.outlook.drift import Drifts
from daemon.monitor.outlook.evidence import Evidence
from daemon.monitor.outlook.forecast import Forecast
from daemon.monitor.outlook.inventory import GlycolExposure, GlycolLoss
from daemon.monitor.outlook.season import SeasonAdvice
from daemon.monitor.outlook.start_up import StartUpWatch
from daemon.monitor.outlook.view import View

EVERY = 5.0
"""Time between two looks [s]."""
_ROUNDING = 1e-6


class Outlook:
    """The slow results of one unit.

    Parameters
    ----------
    unit : DehydrationUnit
        The unit.
    full_gas_rate : float
        Gas rate that counts as full [standard m3/s].
    """

    def __init__(self, unit: DehydrationUnit, full_gas_rate: float) -> None:
        self._forecast = Forecast(unit.reboiler.set_point)
        self._loss = GlycolLoss()
        self._exposure = GlycolExposure(unit.reboiler.glycol_changed_on)
        self._capacity = Capacity(unit)
        self._season = SeasonAdvice(unit)
        self._drifts = Drifts(unit.pump_in_service.displacement)
        self._start_up = StartUpWatch(unit, full_gas_rate)
        self._evidence = Evidence()
        self._looked = -math.inf
        self._results: dict[str, Result] = {}
        self._diagnosis: tuple[float, tuple[LikelyCause, ...]] | None = None

    def due(self, now: float) -> bool:
        """Whether it is time for another look; ``now`` is on the monitor's time line [s]."""
        return now - self._looked >= EVERY - _ROUNDING

    def look(self, view: View, *, quiet: bool) -> None:
        """Take a look; ``quiet`` says that no process alarm stands."""
        self._looked = view.now
        self._results = {
            **self._forecast.results(view),
            **self._loss.results(view),
            **self._exposure.results(view),
            **self._capacity.results(view),
            **self._season.results(view),
            **self._drifts.results(view),
            **self._start_up.results(view),
        }
        self._evidence.update(view, quiet=quiet)

    def recalculated(self, step: float) -> None:
        """Mind that a sample has made the calculated dew point higher by ``step`` [K] from this scan on."""
        self._forecast.recalculated()
        self._drifts.recalculated(step)

    def glycol_changed(self, time: float) -> None:
        """Count age and exposure from a change of the glycol [POSIX s]."""
        self._exposure.changed(time)

    @property
    def results(self) -> Mapping[str, Result]:
        """What the last look gave."""
        return self._results

    def diagnosis(self) -> tuple[LikelyCause, ...]:
        """Return the known faults that would explain what moves, the likeliest first.

        Worked out when asked for, once a look: only whoever shows an alarm needs it.
        """
        if self._diagnosis is None or self._diagnosis[0] != self._looked:
            self._diagnosis = self._looked, diagnose(self._evidence.seen())
        return self._diagnosis[1]

    def save(self, now: float) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "looked": self._looked if math.isfinite(self._looked) else None,
            "results": {name: list(result) for name, result in self._results.items()},
            "forecast": self._forecast.save(now),
            "loss": self._loss.save(now),
            "exposure": self._exposure.save(),
            "season": self._season.save(),
            "drifts": self._drifts.save(),
            "start_up": self._start_up.save(now),
            "evidence": self._evidence.save(),
        }

    def restore(self, saved: Mapping[str, Any], now: float) -> None:
        """Take over a saved state; ``now`` is the time at which it was saved."""
        self._looked = -math.inf if saved["looked"] is None else saved["looked"]
        self._results = {
            name: Result(value, uncertainty, Status(status), reason)
            for name, (value, uncertainty, status, reason) in saved["results"].items()
        }
        self._forecast.restore(saved["forecast"], now)
        self._loss.restore(saved["loss"], now)
        self._exposure.restore(saved["exposure"])
        self._season.restore(saved["season"])
        self._drifts.restore(saved["drifts"])
        self._start_up.restore(saved["start_up"], now)
        self._evidence.restore(saved["evidence"])
