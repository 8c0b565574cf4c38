"""What a trend picture shows, from the query service: synchronous, for a thread of the history service."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from config.quantities import RESULT_KINDS, SIGNAL_KINDS
from config.site import Site
from daemon.history_output import Header, headers, number, site_wording
from daemon.journal.errors import NotStored, TooManyRows
from daemon.journal.queries import Column, History
from daemon.journal.summaries import joined
from daemon.times import rfc3339
from daemon.web.decimation import Floats, Series, decimate, decimate_statistics
from daemon.web.schemas import SeriesView, TrendSeries, TrendView

MOST_POINTS = 5000
MOST_NAMES = 20
"""Columns in one picture."""
MINUTE, HOUR = 60.0, 3600.0
"""Statistics that the archive has at hand [s]."""
FINE = 2
"""A bin takes in at least so many rows of statistics, so that a row is never far from its place."""
EXACT_ROWS = 10_000
"""Up to so many stored scans a trend carries uncertainty; beyond, minimum, mean and maximum only."""
MOST_ROWS = 1_000_000
"""Scans, minutes and hours that are read for one trend; before there are more, it gets coarser."""
_QUALITIES = {-1: "none", 0: "good", 1: "uncertain", 2: "bad"}


def list_series(stored: History, site: Site, unit: str) -> list[SeriesView]:
    """Return everything that is stored of a unit; empty before its first scan."""
    wording = site_wording(site, unit)
    try:
        columns, span = stored.columns(unit), stored.span(unit)
    except NotStored:
        return []
    return [
        SeriesView(
            name=column.name,
            kind=column.kind,
            description=_description(column),
            unit=wording.unit(column).symbol,
            first=None if span is None else rfc3339(span[0]),
            last=None if span is None else rfc3339(span[1]),
        )
        for column in columns
    ]


def trend(
    stored: History, site: Site, unit: str, names: Sequence[str], start: float, end: float, points: int
) -> TrendView:
    """Return values for a picture with room for ``points`` times.

    Raises
    ------
    NotStored
        The unit never had a value of one of the names.
    TooManyRows
        Too many names; or so much is not summed up, for want of an archive, that it would take too long.
    """
    columns = stored.resolve(unit, names)
    if len(columns) > MOST_NAMES:
        raise TooManyRows(f"{len(columns)} values asked for; a trend shows at most {MOST_NAMES}")
    heads = headers(columns, site_wording(site, unit))
    step = _step(stored, unit, start, end, (end - start) / points)
    if step is None:
        series = _exact(stored, unit, columns, start, end, points)
    else:
        points = max(1, min(points, math.floor((end - start) / step)))
        series = _coarse(stored, unit, columns, start, end, step, points)
    width = (end - start) / points
    time = [round(start + (index + 0.5) * width, 3) for index in range(points)]
    kept = [index for index in range(points) if any(one.quality[index] >= 0 for one in series)]
    kept = _with_gaps(kept)
    return TrendView(
        unit=unit,
        start=start,
        end=end,
        width=width,
        time=[time[index] for index in kept],
        series=[_view(head, one, kept) for head, one in zip(heads, series, strict=True)],
        unreadable=stored.incomplete,
    )


def _step(stored: History, unit: str, start: float, end: float, width: float) -> float | None:
    """Return over what time statistics are asked for a picture with bins of ``width``; ``None`` for scans.

    Single scans while they are few; then statistics that are a part of a bin, from summed-up minutes or hours
    where a bin is wide enough for them or so much lies in the span that nothing else can be read.
    """
    if stored.rows_to_read(unit, start, end, None, EXACT_ROWS) <= EXACT_ROWS:
        return None
    steps = [MINUTE, HOUR] if width >= FINE * MINUTE else [width / FINE, MINUTE, HOUR]
    if width >= FINE * HOUR:
        steps = [HOUR]
    for step in steps[:-1]:
        if stored.rows_to_read(unit, start, end, step, MOST_ROWS) <= MOST_ROWS:
            return step
    return steps[-1]


def _exact(
    stored: History, unit: str, columns: Sequence[Column], start: float, end: float, bins: int
) -> list[Series]:
    rows = list(stored.values(unit, columns, start, end))
    shape = (len(rows), len(columns))
    values, spread = np.full(shape, np.nan), np.full(shape, np.nan)
    quality = np.full(shape, -1, dtype=np.int8)
    for at, row in enumerate(rows):
        for column, sample in enumerate(row.samples):
            if sample is None:
                continue
            quality[at, column] = sample.quality
            if sample.value is not None:
                values[at, column] = sample.value
            if sample.uncertainty is not None:
                spread[at, column] = sample.uncertainty
    times, width = np.array([row.time for row in rows]), (end - start) / bins
    return decimate(times, values, spread, quality, start, width, bins)


def _coarse(
    stored: History, unit: str, columns: Sequence[Column], start: float, end: float, step: float, bins: int
) -> list[Series]:
    """Statistics from the query service, laid into the picture's bins: extremes stay exact."""
    found = list(stored.statistics(unit, columns, start, end, step, max_rows=MOST_ROWS))
    return decimate_statistics(joined(found, len(columns)), step / 2, start, (end - start) / bins, bins)


def _with_gaps(kept: Iterable[int]) -> list[int]:
    """Leave one empty bin in every longer gap, so that a line drawn through the points breaks there."""
    shown: list[int] = []
    listed = list(kept)
    usual = float(np.median(np.diff(listed))) if len(listed) > 2 else 1.0
    for index in listed:
        if shown and index - shown[-1] > 3 * usual:
            shown.append(shown[-1] + 1)
        shown.append(index)
    return shown


def _view(head: Header, series: Series, kept: Sequence[int]) -> TrendSeries:
    unit = head.unit
    scale = abs(unit.conversion.factor)

    def shown(values: Floats) -> list[float | None]:
        return [number(float(values[index]), unit) for index in kept]

    known = np.isfinite(series.uncertainty)
    low, high = (
        (series.minimum, series.maximum) if unit.conversion.factor > 0 else (series.maximum, series.minimum)
    )
    return TrendSeries(
        name=head.column.name,
        kind=head.column.kind,
        description=_description(head.column),
        unit=unit.symbol,
        decimals=unit.decimals,
        value=shown(series.mean),
        minimum=shown(low),
        maximum=shown(high),
        uncertainty=[
            float(f"{series.uncertainty[index] / scale:.4g}") if known[index] else None for index in kept
        ]
        if known.any()
        else None,
        quality=[_QUALITIES[int(series.quality[index])] for index in kept],  # type: ignore[misc]  # the four words
    )


def _description(column: Column) -> str:
    kinds = SIGNAL_KINDS if column.kind == "signal" else RESULT_KINDS
    return kinds[column.name].description if column.name in kinds else column.name
