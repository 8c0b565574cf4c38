"""The glycol pump: strokes and circulation, and which installed pump serves a season."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calc.arrays import FloatOrArray, ValidRange
from calc.errors import CalcError

STROKE_RATE = ValidRange("stroke_rate", 0.0, 20.0, "strokes/s")
DISPLACEMENT = ValidRange("displacement", 1e-7, 0.1, "m3")
VOLUMETRIC_EFFICIENCY = ValidRange("volumetric_efficiency", 0.05, 1.0)
CIRCULATION_RATE = ValidRange("circulation_rate", 0.0, 1.0, "m3/s")


def circulation_rate(
    stroke_rate: FloatOrArray, displacement: FloatOrArray, volumetric_efficiency: FloatOrArray = 0.95
) -> FloatOrArray:
    """Calculate the lean glycol rate that a reciprocating pump delivers at a stroke rate.

    Parameters
    ----------
    stroke_rate : float or array
        Strokes a second, counted as the displacement counts them [strokes/s].
    displacement : float or array
        Volume swept in one counted stroke [m3].
    volumetric_efficiency : float or array
        Delivered over swept volume [-]; 0.95 for a pump in good order (common practice, no source).

    Returns
    -------
    float or array
        Circulation rate [m3/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for 0 to 20 strokes/s, 0.1 cm3 to 0.1 m3 a stroke, efficiency 0.05 to 1. Exact but for the
    efficiency, which falls with worn seals and valves by 5 to 20 % unseen: the count of strokes does not
    show it. A count of both directions of a double-acting pump needs the displacement of one direction.

    References
    ----------
    Definition of volumetric efficiency, ISO 4391:1983.

    Examples
    --------
    >>> circulation_rate(20 / 60, 3.785e-5, 1.0) * 3600 / 3.785e-3  # 20 a minute at 0.01 gal: gal/h
    12.0
    """
    strokes, volume = STROKE_RATE.check(stroke_rate), DISPLACEMENT.check(displacement)
    return strokes * volume * VOLUMETRIC_EFFICIENCY.check(volumetric_efficiency)


def required_stroke_rate(
    circulation_rate: FloatOrArray, displacement: FloatOrArray, volumetric_efficiency: FloatOrArray = 0.95
) -> FloatOrArray:
    """Calculate the stroke rate that delivers a circulation rate; the inverse of ``circulation_rate``.

    Parameters
    ----------
    circulation_rate : float or array
        Lean glycol rate wanted [m3/s].
    displacement : float or array
        Volume swept in one counted stroke [m3].
    volumetric_efficiency : float or array
        Delivered over swept volume [-].

    Returns
    -------
    float or array
        Stroke rate [strokes/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range of ``circulation_rate``, circulation above 1 m3/s.

    Notes
    -----
    Valid and accurate as ``circulation_rate``. Whether the pump can run at that rate is for
    ``PumpDesign.fit`` to say.

    References
    ----------
    Definition of volumetric efficiency, ISO 4391:1983.

    Examples
    --------
    >>> required_stroke_rate(103.75 * 3.785e-3 / 3600, 3.785e-5, 1.0) * 60  # 103.75 gal/h at 0.01 gal
    172.9
    """
    rate, volume = CIRCULATION_RATE.check(circulation_rate), DISPLACEMENT.check(displacement)
    return rate / (volume * VOLUMETRIC_EFFICIENCY.check(volumetric_efficiency))


class Fit(enum.StrEnum):
    """Whether a pump suits a range of circulation rates."""

    SERVES = "serves"
    """Every rate of the range lies between stall and maximum."""
    OVERCIRCULATES = "over-circulates at the lowest load"
    """The lowest rate is below the stall rate: the pump must run faster than the load needs."""
    TOO_SMALL = "too small"
    """The highest rate is above the maximum: the gas would leave wet."""


@dataclass(frozen=True, slots=True)
class PumpFit:
    """How one pump suits a range of circulation rates."""

    pump: str
    fit: Fit
    lowest_stroke_rate: float
    """Strokes a second that the lowest load needs."""
    highest_stroke_rate: float
    """Strokes a second that the highest load needs."""
    overcirculation: float
    """Lowest rate it can deliver over the lowest rate needed, at least 1: pumped and boiled in vain."""
    reserve: float
    """Highest rate that the pump can deliver over the highest rate needed; below 1 it cannot."""


@dataclass(frozen=True, slots=True)
class PumpDesign:
    """One installed pump. Stroke rates in strokes/s, volumes in m3."""

    name: str
    displacement: float
    """Volume swept in one counted stroke [m3]."""
    stall_rate: float
    """Lowest stroke rate at which it runs reliably [strokes/s]."""
    maximum_rate: float
    """Highest stroke rate [strokes/s]."""
    volumetric_efficiency: float = 0.95
    """Delivered over swept volume [-]."""
    drive: Literal["energy exchange", "electric", "gas"] = "energy exchange"
    """What drives it."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.stall_rate < self.maximum_rate:
            raise CalcError(
                f"pump {self.name}: the stall rate {self.stall_rate:g} strokes/s must be below "
                f"the maximum rate {self.maximum_rate:g} strokes/s"
            )

    @property
    def lowest_circulation(self) -> float:
        """Circulation rate at the stall rate [m3/s]."""
        return float(circulation_rate(self.stall_rate, self.displacement, self.volumetric_efficiency))

    @property
    def highest_circulation(self) -> float:
        """Circulation rate at the maximum rate [m3/s]."""
        return float(circulation_rate(self.maximum_rate, self.displacement, self.volumetric_efficiency))

    def fit(self, lowest: float, highest: float) -> PumpFit:
        """Judge the pump for circulation rates from ``lowest`` to ``highest`` [m3/s]."""
        if not 0.0 < lowest <= highest:
            raise CalcError(f"a range of circulation rates from {lowest:g} to {highest:g} m3/s holds no load")
        slow, fast = (
            float(required_stroke_rate(rate, self.displacement, self.volumetric_efficiency))
            for rate in (lowest, highest)
        )
        if fast > self.maximum_rate:
            verdict = Fit.TOO_SMALL
        elif slow < self.stall_rate:
            verdict = Fit.OVERCIRCULATES
        else:
            verdict = Fit.SERVES
        return PumpFit(
            self.name, verdict, slow, fast, max(self.stall_rate / slow, 1.0), self.maximum_rate / fast
        )


def suitable_pumps(pumps: Sequence[PumpDesign], lowest: float, highest: float) -> list[PumpFit]:
    """Judge every installed pump for a season's range of circulation rates, the most suitable first.

    Parameters
    ----------
    pumps : sequence of PumpDesign
        Installed pumps [-].
    lowest, highest : float
        Circulation rates that the season's lowest and highest water load need [m3/s].

    Returns
    -------
    list of PumpFit
        Those that serve first, the one with least over-circulation and then least reserve before others;
        then those that over-circulate, least first; then those that are too small, largest first [-].

    Raises
    ------
    CalcError
        A range that is empty or not positive.

    Notes
    -----
    Valid for any reciprocating pumps; as exact as their data. A stall rate is a recommendation of the
    maker, and a clean system may hold its dew point below it: the site decides, not this function.

    References
    ----------
    Common practice, no source: the smallest pump that carries the highest load wastes least at the lowest.

    Examples
    --------
    >>> small = PumpDesign("small", 1e-5, 0.2, 0.6)
    >>> large = PumpDesign("large", 4e-5, 0.2, 0.6)
    >>> [(each.pump, each.fit.value) for each in suitable_pumps([large, small], 2.5e-6, 5e-6)]
    [('small', 'serves'), ('large', 'over-circulates at the lowest load')]
    """
    order = list(Fit)
    fits = [pump.fit(lowest, highest) for pump in pumps]
    return sorted(
        fits,
        key=lambda each: (
            order.index(each.fit),
            -each.reserve if each.fit is Fit.TOO_SMALL else each.overcirculation,
            each.reserve,
        ),
    )
