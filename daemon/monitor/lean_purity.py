"""What laboratory samples say of the calculated lean purity: a factor on the water in the lean glycol.

The reboiler's equation gives the purity from temperature and pressure. What it cannot know shifts the water
by about the same share at any temperature: the glycol model, a thermometer or back-pressure that is off,
glycol that leaks past the regeneration. So the logarithm of (water by laboratory over water calculated) is
learnt, and the calculated water multiplied by it. No factor makes glycol purer than pure.

**Estimator**: a scalar Kalman filter (Kalman 1960) for a bias that forgets itself (Uhlenbeck and Ornstein
1930). Without a sample the bias is nought with the standard deviation ``MODEL`` of the reboiler model, and
nothing is corrected. A sample weighs with the inverse of its variance. After ``t`` the bias is worth
``exp(-t / DRIFT_TIME)`` of what it was and its variance has gone back as far toward the model's, so that an
old sample slowly becomes no sample.

**Compared at the time of sampling**: the mean calculated water of each hour of steady regeneration is kept
for two weeks, and a sample is held against the hour up to its drawing, because the glycol in the surge tank
left the reboiler some time ago. Where there is no such hour the sample is not used, and the reason is told.

**A sample that cannot be right** (beyond three combined standard deviations) is told and set aside. Two such
samples that agree with each other outweigh what was believed: the plant is what it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from calc.readings import Uncertainties

HOUR = 3600.0
KEPT_HOURS = 14 * 24
"""How long calculated purities are kept [h]: a laboratory's answer comes within two weeks."""
STEADY_SECONDS = 2400.0
"""An hour counts that has been watched regenerating for this long [s]."""
SPREAD = 0.5
"""Range of the calculated water within a steady hour, relative to its mean: a thermostat's cycle of 9 K."""
LABORATORY = Uncertainties().laboratory_water
"""Standard uncertainty of the water in a sample, relative; see ``calc.readings``."""
DRAWING = Uncertainties().laboratory_mass_fraction
"""Water that a sample takes up while it is drawn and carried [kg/kg]; see ``calc.readings``."""
MODEL = math.hypot(Uncertainties().activity, Uncertainties().activity_reboiler)
"""Standard uncertainty of the calculated water by the glycol model, relative; see ``calc.readings``."""
DRIFT_TIME = 180 * 86400.0
"""Time in which a bias that is no longer sampled loses its worth [s]; ours: glycol ages, elements drift."""
FORGOTTEN = 0.1
"""A bias that is worth less than this is none: 414 days after its sample."""
OUTLIER = 3.0
"""A sample beyond so many combined standard deviations is not believed alone."""
MOST = math.log(3.0)
"""No factor is above three or below a third: whatever was sampled, it is no lean glycol of this reboiler."""
LEAST_WATER = 2e-4
"""Less water than this is below what can be told apart from none [kg/kg]."""
SAME_SAMPLE = 60.0
"""Two samples drawn within this time are one that was entered twice [s]."""
_REMEMBERED = 16
_MICRO = 1e-6


class Correction(NamedTuple):
    """What to do to the calculated water: multiply; and the factor's relative standard uncertainty."""

    factor: float
    uncertainty: float


class SampleTaken(NamedTuple):
    """What was made of a sample: ``complaint`` says why it was not used, else it is empty.

    ``calculated`` is the water calculated for the hour of sampling [kg/kg], where there is one; ``doubted``
    marks a sample that was compared and not believed.
    """

    complaint: str
    calculated: float | None = None
    doubted: bool = False


class _Observed(NamedTuple):
    """A sample set against the calculation: logarithm of their ratio, its variance, time of sampling."""

    log_ratio: float
    variance: float
    taken: float


class LeanPurity:
    """Remembers calculated purities by the hour, and what samples say of them.

    Parameters
    ----------
    basis : sequence of float
        What the calculation rests on beside its readings. A saved state with another basis is of another
        calculation: what was learned there is not taken over.
    longest_stretch : float
        A value stands for no longer than this [s].
    """

    def __init__(self, basis: tuple[float, ...], longest_stretch: float) -> None:
        self._basis = basis
        self._longest = longest_stretch
        self._first = 0  # hours since 1970 of the first entry of what follows
        self._water: list[int | None] = []  # of each hour [1e-6 kg/kg]; None where it was not steady
        self._hour = 0
        self._low, self._high = math.inf, -math.inf
        self._last: float | None = None
        self._open_anew(0)
        self.forget(-math.inf)

    def forget(self, since: float) -> None:
        """Begin anew; samples drawn before ``since`` [POSIX s] say nothing any more."""
        self._since = since
        self._bias: float | None = None
        self._variance = 0.0
        self._at = 0.0
        self._samples: list[float] = []
        self._doubted: _Observed | None = None

    # ------------------------------------------------------------------ what was calculated

    def watch(self, time: float, now: float, water: float | None) -> None:
        """Take the calculated water in the lean glycol, uncorrected.

        Parameters
        ----------
        time : float
            POSIX seconds.
        now : float
            On the monitor's time line [s].
        water : float or None
            [kg/kg]; ``None`` while the unit does not regenerate or the value is not good.
        """
        hour = int(time // HOUR)
        if hour != self._hour:
            self._close()
            self._open_anew(hour)
        passed = 0.0 if self._last is None else min(max(0.0, now - self._last), self._longest)
        self._last = now
        if water is None:
            return
        self._seconds += passed
        self._total += passed * water
        self._low = min(self._low, water)
        self._high = max(self._high, water)

    def _open_anew(self, hour: int) -> None:
        self._hour = hour
        self._seconds = self._total = 0.0
        self._low, self._high = math.inf, -math.inf

    def _mean(self) -> float | None:
        """Mean of the open hour; ``None`` where it holds nothing or is not steady."""
        if self._seconds <= 0.0:
            return None
        mean = self._total / self._seconds
        return mean if self._high - self._low <= SPREAD * mean else None

    def _close(self) -> None:
        """Keep the open hour; hours that nobody watched are kept as such."""
        if self._hour == 0:
            return
        if not self._water:
            self._first = self._hour
        place = self._hour - self._first
        if (
            not 0 <= place < len(self._water) + KEPT_HOURS
        ):  # a clock that was far off: what was kept is of no use
            self._first, self._water, place = self._hour, [], 0
        self._water += [None] * (place + 1 - len(self._water))
        mean = self._mean() if self._seconds >= STEADY_SECONDS else None
        self._water[place] = None if mean is None else round(mean / _MICRO)
        surplus = len(self._water) - KEPT_HOURS
        if surplus > 0:
            del self._water[:surplus]
            self._first += surplus

    def _of(self, hour: int) -> float | None:
        """Mean calculated water of an hour [kg/kg]; ``None`` where it was not steady."""
        if hour == self._hour:
            return self._mean() if self._seconds >= STEADY_SECONDS else None
        place = hour - self._first
        kept = self._water[place] if 0 <= place < len(self._water) else None
        return None if kept is None else kept * _MICRO

    def _calculated(self, taken: float) -> float | None:
        """Mean calculated water of the hour up to ``taken`` [kg/kg]; ``None`` without steady regeneration."""
        hour = int(taken // HOUR)
        before = self._of(hour - 1)
        if before is None:
            return None
        share = taken / HOUR - hour
        if hour < self._hour:
            during = self._of(hour)
        else:  # not over yet: what there is of it
            during = self._mean() if hour == self._hour and self._seconds > 0.0 else before
        return None if during is None else before + share * (during - before)

    # ------------------------------------------------------------------ what samples say

    def take(self, taken: float, water: float, now: float) -> SampleTaken:
        """Take a sample.

        Parameters
        ----------
        taken : float
            When it was drawn [POSIX s].
        water : float
            Water in the lean glycol [kg/kg].
        now : float
            When it is entered [POSIX s].
        """
        complaint = self._complaint(taken, water, now)
        if complaint:
            return SampleTaken(complaint)
        calculated = self._calculated(taken)
        if calculated is None:
            return SampleTaken(
                "the unit was not seen regenerating steadily in the two hours before its drawing, so there "
                "is nothing to compare it with"
            )
        log_ratio = math.log(water / calculated)
        if abs(log_ratio) > MOST:
            text = "more than three times" if log_ratio > 0.0 else "less than a third of"
            return SampleTaken(f"it holds {text} the water that was calculated", calculated, doubted=True)
        believed, variance = self._at_time(taken)
        # Relative to what is expected: relative to itself, a sample that errs on the wet side weighs more.
        expected = calculated * math.exp(believed)
        one = _Observed(log_ratio, LABORATORY**2 + (DRAWING / expected) ** 2, taken)
        if abs(log_ratio - believed) > OUTLIER * math.sqrt(variance + one.variance):
            return self._doubt(one, calculated)
        self._learn(one, believed, variance)
        return SampleTaken("", calculated)

    def _complaint(self, taken: float, water: float, now: float) -> str:
        if now - taken > KEPT_HOURS * HOUR:
            return f"it was drawn more than {KEPT_HOURS // 24} days ago: what was calculated then is not kept"
        if taken < self._since:
            return "it was drawn before the glycol was changed or an instrument calibrated"
        if any(abs(taken - other) < SAME_SAMPLE for other in self._samples):
            return "a sample drawn at that time counts already"
        if water < LEAST_WATER:
            return "so little water cannot be told from none"
        return ""

    def _at_time(self, time: float) -> tuple[float, float]:
        """Return what is believed of the bias at a time, and its variance."""
        if self._bias is None:
            return 0.0, MODEL**2
        worth = math.exp(-abs(time - self._at) / DRIFT_TIME)
        # A bias beyond the model's own uncertainty has shown that the plant can differ by so much.
        unknown = max(MODEL, abs(self._bias)) ** 2
        return worth * self._bias, unknown + worth**2 * (self._variance - unknown)

    def _learn(self, one: _Observed, believed: float, variance: float) -> None:
        """Correct what is believed by a sample; one that is older than the newest counts for less."""
        log_ratio, noise = one.log_ratio, one.variance
        if self._bias is not None and one.taken < self._at:
            worth = math.exp((one.taken - self._at) / DRIFT_TIME)
            log_ratio, noise = worth * log_ratio, worth**2 * noise + (1.0 - worth**2) * MODEL**2
            believed, variance = self._bias, self._variance
        gain = variance / (variance + noise)
        self._bias = believed + gain * (log_ratio - believed)
        self._variance = (1.0 - gain) * variance
        self._count(one.taken)

    def _doubt(self, one: _Observed, calculated: float) -> SampleTaken:
        other, self._doubted = self._doubted, one
        if other is None or abs(one.taken - other.taken) < SAME_SAMPLE:
            return SampleTaken(
                "it differs from what was expected by more than both can err", calculated, doubted=True
            )
        worth = math.exp(-abs(one.taken - other.taken) / DRIFT_TIME)
        apart = one.variance + other.variance + (1.0 - worth**2) * MODEL**2
        if (one.log_ratio - other.log_ratio) ** 2 > OUTLIER**2 * apart:
            return SampleTaken(
                "it differs from what was expected and from the doubted sample before it",
                calculated,
                doubted=True,
            )
        self._bias = 0.5 * (one.log_ratio + other.log_ratio)
        self._variance = 0.25 * apart
        self._doubted = None
        self._count(other.taken)
        self._count(one.taken)
        return SampleTaken("", calculated)

    def _count(self, taken: float) -> None:
        self._at = max(self._at, taken)
        self._samples = [*self._samples, taken][-_REMEMBERED:]

    def correction(self, time: float) -> Correction | None:
        """Return what to do to the calculated water at a time [POSIX s]; ``None`` where no sample counts."""
        if self._bias is None:
            return None
        later = max(time, self._at)
        if later - self._at > -math.log(FORGOTTEN) * DRIFT_TIME:
            return None
        believed, variance = self._at_time(later)
        return Correction(math.exp(believed), math.sqrt(variance))

    # ------------------------------------------------------------------ kept

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {
            "basis": list(self._basis),
            "first": self._first,
            "water": self._water,
            "open": [self._hour, self._seconds, self._total, self._low, self._high]
            if self._seconds
            else None,
            "hour": self._hour,
            "last": self._last,
            "since": self._since if math.isfinite(self._since) else None,
            "bias": self._bias,
            "variance": self._variance,
            "at": self._at,
            "samples": self._samples,
            "doubted": self._doubted,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state, unless it is of another calculation."""
        if tuple(state["basis"]) != self._basis:
            return
        self._first, self._water = state["first"], list(state["water"])
        self._open_anew(state["hour"])
        if state["open"] is not None:
            self._hour, self._seconds, self._total, self._low, self._high = state["open"]
        self._last = state["last"]
        self._since = -math.inf if state["since"] is None else state["since"]
        self._bias, self._variance, self._at = state["bias"], state["variance"], state["at"]
        self._samples = list(state["samples"])
        self._doubted = None if state["doubted"] is None else _Observed(*state["doubted"])
