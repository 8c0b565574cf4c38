"""How each observable of a unit stands to its own usual: what diagnosis reads.

The usual is learnt while the unit dries gas and no process alarm stands: mean and scatter over the last days,
fading, so that a season is followed and a fault of minutes hardly counts. What is seen now is the mean of the
last minutes. A shift is judged against the usual scatter, but never against less than a floor: a signal that
never moved has none to judge by. Erratic is told from the differences of neighbouring samples, which a step
or a drift does not swell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.monitor.alarms.diagnosis import judge_move
from daemon.monitor.alarms.signatures import Move, Observable
from daemon.monitor.outlook.view import View

USUAL_TIME = 2 * 86400.0
"""Time constant of the usual [s]."""
RECENT_TIME = 120.0
"""Time constant of what is seen now [s]."""
BURNER_TIME = 1200.0
"""The same of the burner's on-time [s]: a thermostat's cycle and more."""
SCATTER_TIME = 300.0
"""Time constant of the scatter between neighbouring samples [s]."""
ENOUGH = 1800.0
"""An observable has a usual after this time of watching [s]."""
LONGEST_STRETCH = 60.0


@dataclass(frozen=True, slots=True)
class _Source:
    """Where an observable is read, and the scatter below which its own counts as this: absolute, relative."""

    name: str
    floor: float = 0.0
    relative_floor: float = 0.0
    recent_time: float = RECENT_TIME


SOURCES: Mapping[Observable, _Source] = {
    Observable.REBOILER: _Source("reboiler_temperature", 0.7),
    Observable.STROKES: _Source("stroke_rate", 0.0, 0.03),
    Observable.OUTLET: _Source("measured_dew_point", 0.7),
    Observable.TRAY_DROP: _Source("contactor_differential_pressure", 0.0, 0.04),
    Observable.CONTACTOR_LEVEL: _Source("contactor_level", 0.01),
    Observable.SURGE_LEVEL: _Source("surge_level", 0.01),
    Observable.FLASH_GAS: _Source("flash_pressure", 0.0, 0.01),
    Observable.BURNER: _Source("burner_on", 0.04, recent_time=BURNER_TIME),
    Observable.STILL_TOP: _Source("still_top_temperature", 0.7),
    Observable.LEAN_TEMPERATURE: _Source("lean_glycol_temperature", 0.7),
    Observable.FILTER_DROP: _Source("filter_differential_pressure", 0.0, 0.04),
    Observable.GAS_TEMPERATURE: _Source("contactor_temperature", 0.7),
    Observable.GAS_PRESSURE: _Source("contactor_pressure", 0.0, 0.01),
    Observable.GAS_RATE: _Source("gas_rate", 0.0, 0.03),
}
"""Where each observable is read. Floors are ours: what an instrument in order wanders by."""


@dataclass(slots=True)
class _Watched:
    """What is known of one observable; every field but ``last`` is an average."""

    watched: float = 0.0
    mean: float = 0.0
    variance: float = 0.0
    usual_scatter: float = 0.0
    recent: float = 0.0
    scatter: float = 0.0
    last: float | None = None
    seen: bool = False

    def look(self, value: float, passed: float, recent_time: float) -> None:
        """Take what is seen now."""
        if not self.seen:
            self.recent, self.seen = value, True
        self.recent += (1.0 - math.exp(-passed / recent_time)) * (value - self.recent)
        if self.last is not None:
            half = 0.5 * (value - self.last) ** 2
            self.scatter += (1.0 - math.exp(-passed / SCATTER_TIME)) * (half - self.scatter)
        self.last = value

    def learn(self, passed: float) -> None:
        """Take what is seen now as usual."""
        if self.watched == 0.0:
            self.mean = self.recent
        self.watched = min(self.watched + passed, USUAL_TIME)
        share = passed / self.watched if self.watched > 0.0 else 0.0
        step = self.recent - self.mean
        self.mean += share * step
        self.variance = (1.0 - share) * (self.variance + share * step * step)
        self.usual_scatter += share * (self.scatter - self.usual_scatter)


class Evidence:
    """All observables of one unit."""

    def __init__(self) -> None:
        self._watched: dict[Observable, _Watched] = {}
        self._bad: frozenset[Observable] = frozenset()
        self._at: float | None = None

    def update(self, view: View, *, quiet: bool) -> None:
        """Take one look; ``quiet`` says that no process alarm stands, so that the usual may be learnt."""
        passed = 0.0 if self._at is None else min(max(0.0, view.now - self._at), LONGEST_STRETCH)
        self._at = view.now
        bad = set()
        for observable, source in SOURCES.items():
            value = _tray_drop(view) if observable is Observable.TRAY_DROP else view.value(source.name)
            if value is None:
                bad.add(observable)
                continue
            watched = self._watched.setdefault(observable, _Watched())
            watched.look(value, passed, source.recent_time)
            if quiet and view.drying:
                watched.learn(passed)
        self._bad = frozenset(bad)

    def seen(self) -> dict[Observable, Move]:
        """Return how every observable stands that has a usual and a usable value."""
        found: dict[Observable, Move] = {}
        for observable, watched in self._watched.items():
            if observable in self._bad or watched.watched < ENOUGH:
                continue
            source = SOURCES[observable]
            floor = max(source.floor, source.relative_floor * abs(watched.mean))
            deviation = max(math.sqrt(watched.variance), floor)
            usual = max(math.sqrt(watched.usual_scatter), floor / 3.0)
            scatter = None if observable is Observable.BURNER else math.sqrt(watched.scatter) / usual
            move = judge_move((watched.recent - watched.mean) / deviation, scatter)
            if move is not None:
                found[observable] = move
        return found

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "at": self._at,
            "bad": sorted(observable.name for observable in self._bad),
            "watched": {
                observable.name: [
                    one.watched,
                    one.mean,
                    one.variance,
                    one.usual_scatter,
                    one.recent,
                    one.scatter,
                    one.last,
                    one.seen,
                ]
                for observable, one in self._watched.items()
            },
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take over a saved state; observables that are no longer known are left out."""
        known = Observable.__members__
        self._at = saved["at"]
        self._bad = frozenset(known[name] for name in saved["bad"] if name in known)
        self._watched = {
            known[name]: _Watched(*values) for name, values in saved["watched"].items() if name in known
        }


def _tray_drop(view: View) -> float | None:
    """Return the contactor's pressure drop over what its gas flow makes of it; ``None`` if not known.

    Over velocity squared times density, which for a standard rate Q is Q2 T / P: the dry trays' drop (an
    orifice's law; handbooks). A constant while nothing is wrong on the trays.
    """
    names = ("contactor_differential_pressure", "gas_rate", "contactor_temperature", "contactor_pressure")
    drop, rate, temperature, pressure = (view.value(name) for name in names)
    if drop is None or rate is None or temperature is None or pressure is None or rate <= 0.0:
        return None
    return drop * pressure / (rate * rate * temperature)
