"""Two transmitters of one quantity that do not agree: neither says which is right, so both are doubtful."""

from __future__ import annotations

import math
from dataclasses import dataclass

from daemon.model import Reading, Status
from daemon.monitor.specs import SignalSpec

COVERAGE = 2.0
"""Agreement is expected within this many combined standard uncertainties (about 95 %)."""


@dataclass(frozen=True, slots=True)
class RedundantPair:
    """Two signals that measure the same thing.

    ``floor`` is the smallest difference that counts, in SI: two elements at different places of one vessel
    do not read the same. ``delay`` is how long they must disagree [s]: their lags differ.
    """

    first: str
    second: str
    floor: float
    delay: float


REDUNDANT_PAIRS: tuple[RedundantPair, ...] = (
    # 6 K between two places of a reboiler's bath: common practice, no source.
    RedundantPair("reboiler_temperature", "reboiler_shutdown_temperature", floor=6.0, delay=60.0),
)


class RedundancyCheck:
    """Watches one pair for a lasting disagreement."""

    def __init__(self, pair: RedundantPair, first: SignalSpec, second: SignalSpec) -> None:
        self.pair = pair
        self._first, self._second = first, second
        combined = COVERAGE * math.hypot(first.uncertainty or 0.0, second.uncertainty or 0.0)
        self._tolerance = max(pair.floor, combined)
        self._since: float | None = None

    @property
    def name(self) -> str:
        """Both signals: under this the state is kept."""
        return f"{self.pair.first} and {self.pair.second}"

    def apply(self, signals: dict[str, Reading], now: float) -> None:
        """Degrade both readings in place where they have disagreed for the pair's delay."""
        first, second = signals[self.pair.first], signals[self.pair.second]
        one, two = first.usable, second.usable
        if one is None or two is None or abs(one - two) <= self._tolerance:
            self._since = None  # with one of them bad there is nothing to compare
            return
        if self._since is None:
            self._since = now
        if now - self._since < self.pair.delay:
            return
        there = self._second.show(two), self._first.show(one)
        for spec, own, other, value in (
            (self._first, first, self._second.name, there[0]),
            (self._second, second, self._first.name, there[1]),
        ):
            reason = f"{other} reads {value}: one of the two is wrong"
            signals[spec.name] = own.degraded(Status.UNCERTAIN_SENSOR_NOT_ACCURATE, reason)

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"since": self._since}

    def restore(self, state: dict[str, float | None]) -> None:
        """Take over a saved state."""
        self._since = state["since"]
