"""What a report says, worked out in one pass over the stored scans. Times in seconds, values SI.

A stored scan stands for the time until the next one, for three scan periods at most: what lies beyond is a
gap, in which nothing is known. An integral covers known time only; nothing is extrapolated over gaps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calc.reboiler import ThermalExposure, expose
from daemon.journal.queries import Column, Row
from daemon.model import OperatingState, Quality

Floats = NDArray[np.float64]

POINTS = 360
"""Points of a trend: as many as a printed page can show."""
LONGEST_STEP = 3.0
"""Scan periods that a stored scan stands for at most."""
GAPS = 8
"""Gaps that are listed, the longest first."""

RESULTS = (
    "dew_point_margin", "probability_over_limit", "lean_mass_fraction", "circulation_rate",
    "required_circulation_rate", "circulation_ratio", "water_removed", "stroke_rate", "accepted_stall_rate",
    "time_since_stroke", "stroke_irregularity", "compressibility", "reboiler_duty", "outlet_dew_point",
)  # fmt: skip
"""Results that a report looks at, where a unit has them; of signals it looks at all."""


@dataclass(slots=True)
class Series:
    """One column over the report's span: its trend and how far it could be trusted.

    ``mean``, ``low`` and ``high`` have a value a point, NaN where there was none. ``seconds`` is by quality,
    ``integral`` the sum of value times time, ``known`` the time with a usable value.
    """

    column: Column
    mean: Floats
    low: Floats
    high: Floats
    weight: Floats
    seconds: dict[Quality, float] = field(default_factory=lambda: dict.fromkeys(Quality, 0.0))
    integral: float = 0.0
    known: float = 0.0
    lowest: float = math.inf
    highest: float = -math.inf
    first: float | None = None
    last: float | None = None

    @property
    def average(self) -> float | None:
        """Mean over the known time [SI]; ``None`` when there was none."""
        return self.integral / self.known if self.known > 0.0 else None

    def take(self, point: int, value: float, step: float) -> None:
        """Take in one usable value that stood for ``step`` seconds."""
        self.mean[point] += value * step
        self.weight[point] += step
        if not self.low[point] <= value:
            self.low[point] = value
        if not self.high[point] >= value:
            self.high[point] = value
        self.integral += value * step
        self.known += step
        self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
        if self.first is None:
            self.first = value
        self.last = value


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without stored scans [POSIX s]."""

    begin: float
    end: float


@dataclass(slots=True)
class Figures:
    """All that the pass over the scans found."""

    begin: float
    end: float
    times: Floats
    series: dict[Column, Series]
    scans: int = 0
    covered: float = 0.0
    states: dict[OperatingState, float] = field(default_factory=lambda: dict.fromkeys(OperatingState, 0.0))
    over_limit: float = 0.0
    """Time with gas drying and the outlet wetter than the limit [s]."""
    margin_unknown: float = 0.0
    """Time with gas drying and no usable margin [s]."""
    below_stall: float = 0.0
    """Time drying with fewer strokes than the accepted stall rate [s]."""
    excess: float = 0.0
    """Glycol pumped beyond what would have met the limit [m3]."""
    excess_known: float = 0.0
    """Time for which that could be told [s]."""
    exposure: ThermalExposure = field(default_factory=ThermalExposure)
    reboiler_seconds: dict[int, float] = field(default_factory=dict)
    """Seconds by reboiler temperature, by tenths of a kelvin (rounded)."""
    stroke_seconds: dict[int, float] = field(default_factory=dict)
    """Seconds by stroke rate, by whole strokes a minute (floor)."""
    gaps: list[Gap] = field(default_factory=list)

    def result(self, name: str) -> Series | None:
        """Return a result's series; ``None`` where the unit has none."""
        return self.series.get(Column("result", name))

    def signal(self, name: str) -> Series | None:
        """Return a signal's series; ``None`` where the unit has none."""
        return self.series.get(Column("signal", name))

    def signals(self) -> Iterator[Series]:
        """Yield the series of every signal."""
        return (series for column, series in self.series.items() if column.kind == "signal")


def wanted(columns: Iterable[Column]) -> list[Column]:
    """Return the columns that a report looks at, of those that a unit has."""
    return [column for column in columns if column.kind == "signal" or column.name in RESULTS]


def gather(
    rows: Iterable[Row],
    columns: Sequence[Column],
    begin: float,
    end: float,
    period: float,
    progress: Callable[[float], None] = lambda _time: None,
) -> Figures:
    """Work out the figures of a span.

    Parameters
    ----------
    rows : iterable of Row
        Stored scans in the order of time, with the columns of ``wanted``.
    columns : sequence of Column
        The columns of the rows.
    begin, end : float
        The span [POSIX s].
    period : float
        The unit's scan period [s].
    progress : callable
        Told the time of a scan now and then.
    """

    def nothing() -> Floats:
        return np.full(POINTS, np.nan)

    width = (end - begin) / POINTS
    series = {
        column: Series(column, np.zeros(POINTS), nothing(), nothing(), np.zeros(POINTS)) for column in columns
    }
    found = Figures(begin, end, np.linspace(begin + width / 2.0, end - width / 2.0, POINTS), series)
    pass_over = _Pass(found, columns)
    before: Row | None = None
    for count, row in enumerate(rows):
        if count % 1000 == 0:
            progress(row.time)
        if pass_over.is_late_value(row):
            continue
        found.scans += 1
        step = min(row.time, end) - (begin if before is None else before.time)
        if step > LONGEST_STEP * period:
            found.gaps.append(Gap(begin if before is None else before.time, row.time))
        if before is not None and step > 0.0:
            pass_over.take(before, min(step, LONGEST_STEP * period))
        before = row
    if before is not None:
        pass_over.take(before, min(period, end - before.time))
        if end - before.time > LONGEST_STEP * period:
            found.gaps.append(Gap(before.time, end))
    found.gaps = sorted(found.gaps, key=lambda gap: gap.begin - gap.end)
    with np.errstate(invalid="ignore", divide="ignore"):
        for each in series.values():
            each.mean = np.where(each.weight > 0.0, each.mean / each.weight, np.nan)
    return found


class _Pass:
    """Takes scans into the figures, one by one."""

    def __init__(self, found: Figures, columns: Sequence[Column]) -> None:
        self._found = found
        self._series = [found.series[column] for column in columns]
        self._place = {column: place for place, column in enumerate(columns)}
        self._per_point = POINTS / (found.end - found.begin)
        self._results = [place for place, column in enumerate(columns) if column.kind == "result"]

    def is_late_value(self, row: Row) -> bool:
        """Whether a row is a value that came late and was stored alone: no scan was taken then."""
        return row.state is OperatingState.UNKNOWN and all(row.samples[at] is None for at in self._results)

    def take(self, row: Row, step: float) -> None:
        found = self._found
        found.covered += step
        found.states[row.state] += step
        point = min(max(int((row.time - found.begin) * self._per_point), 0), POINTS - 1)
        for series, sample in zip(self._series, row.samples, strict=True):
            if sample is None:
                continue
            quality = sample.quality
            series.seconds[quality] += step
            if sample.value is not None and quality is not Quality.BAD:
                series.take(point, sample.value, step)
        self._drying(row, step)
        temperature = self._usable(row, "signal", "reboiler_temperature")
        if temperature is not None and 273.15 <= temperature <= 600.0:
            found.exposure = expose(found.exposure, temperature, step)
            _add(found.reboiler_seconds, round(10.0 * temperature), step)
        rate = self._usable(row, "result", "stroke_rate")
        if rate is not None:
            _add(found.stroke_seconds, math.floor(60.0 * rate + 1e-9), step)

    def _drying(self, row: Row, step: float) -> None:
        if row.state is not OperatingState.DRYING:
            return
        found = self._found
        margin = self._usable(row, "result", "dew_point_margin")
        if margin is None:
            found.margin_unknown += step
        elif margin < 0.0:
            found.over_limit += step
        rate, stall = (self._usable(row, "result", name) for name in ("stroke_rate", "accepted_stall_rate"))
        if rate is not None and stall is not None and rate < stall:
            found.below_stall += step
        circulated, needed = (
            self._usable(row, "result", name) for name in ("circulation_rate", "required_circulation_rate")
        )
        if circulated is not None and needed is not None:
            found.excess += max(0.0, circulated - needed) * step
            found.excess_known += step

    def _usable(self, row: Row, kind: str, name: str) -> float | None:
        at = self._place.get(Column(kind, name))  # type: ignore[arg-type]  # one of the two kinds
        sample = None if at is None else row.samples[at]
        if sample is None or sample.status.quality is Quality.BAD:
            return None
        return sample.value


def _add(histogram: dict[int, float], key: int, step: float) -> None:
    histogram[key] = histogram.get(key, 0.0) + step
