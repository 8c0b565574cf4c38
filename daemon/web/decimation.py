"""From many stored values to as many as a picture has room for, keeping every minimum and maximum; pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.journal.summaries import Summaries

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Series:
    """One column over the bins [SI]; NaN where a bin has no usable value."""

    mean: Floats
    minimum: Floats
    maximum: Floats
    uncertainty: Floats
    """Largest standard uncertainty in the bin; NaN where there is none."""
    quality: Codes
    """Worst quality in the bin, 0 good to 2 bad; -1 where nothing was stored."""


def decimate(
    time: Floats,
    values: Floats,
    uncertainties: Floats,
    qualities: Codes,
    start: float,
    width: float,
    bins: int,
) -> list[Series]:
    """Gather stored values into bins of equal width.

    The least and the greatest usable value of every bin are kept exactly, so that no excursion is lost
    however far a picture is zoomed out, and a bin without a usable value stays empty: a gap stays a gap.

    Parameters
    ----------
    time : ndarray of float, shape (n,)
        When each row was taken [POSIX s], rising.
    values, uncertainties : ndarray of float, shape (n, columns)
        Usable values and their standard uncertainties [SI]; NaN where there is none.
    qualities : ndarray of int8, shape (n, columns)
        0 good, 1 uncertain, 2 bad; -1 where the column did not exist.
    start : float
        Beginning of the first bin [POSIX s].
    width : float
        Width of a bin [s], > 0.
    bins : int
        Number of bins, >= 1; rows outside are left out.

    Returns
    -------
    list of Series
        One for each column, each of length ``bins``.

    Raises
    ------
    ValueError
        ``width`` or ``bins`` is out of its range.

    Examples
    --------
    >>> rows = np.array([[1.0], [9.0], [2.0], [np.nan]])
    >>> none = np.full((4, 1), np.nan)
    >>> good = np.array([[0], [0], [0], [2]], dtype=np.int8)
    >>> one = decimate(np.array([0.0, 1.0, 2.0, 25.0]), rows, none, good, 0.0, 10.0, 3)[0]
    >>> one.minimum.tolist(), one.maximum.tolist(), one.quality.tolist()
    ([1.0, nan, nan], [9.0, nan, nan], [0, -1, 2])
    """
    if not width > 0 or bins < 1:
        raise ValueError(f"{bins} bins of {width:g} s make no picture")
    bin_of = np.floor((time - start) / width).astype(np.int64)
    inside = (bin_of >= 0) & (bin_of < bins)
    bin_of = bin_of[inside]
    return [
        _gather(
            bin_of, values[inside, column], uncertainties[inside, column], qualities[inside, column], bins
        )
        for column in range(values.shape[1])
    ]


def decimate_statistics(
    rows: Summaries, middle: float, start: float, width: float, bins: int
) -> list[Series]:
    """Gather statistics over short times into bins of equal width; every minimum and maximum is kept.

    A time with a bad value among good ones still has its statistics: they enter, and the bin is marked bad.

    Parameters
    ----------
    rows : Summaries
        All within the picture's span.
    middle : float
        From the beginning of a row's time to its middle, by which it falls into a bin [s].
    start, width, bins
        As for ``decimate``. Rows at the edges go into the first and the last bin.

    Returns
    -------
    list of Series
        One for each column, without uncertainty.
    """
    bin_of = np.clip(np.floor((rows.time + middle - start) / width).astype(np.int64), 0, bins - 1)
    return [_gather_statistics(rows, column, bin_of, bins) for column in range(rows.worst.shape[1])]


def _gather_statistics(rows: Summaries, column: int, bin_of: NDArray[np.int64], bins: int) -> Series:
    some = rows.count[:, column] > 0
    at = bin_of[some]
    minimum, maximum = np.full(bins, np.inf), np.full(bins, -np.inf)
    np.minimum.at(minimum, at, rows.minimum[some, column])
    np.maximum.at(maximum, at, rows.maximum[some, column])
    count = np.bincount(at, weights=rows.count[some, column], minlength=bins)
    empty = count == 0
    total = np.bincount(at, weights=rows.total[some, column], minlength=bins)
    mean = np.divide(total, count, out=np.full(bins, np.nan), where=~empty)
    minimum[empty] = maximum[empty] = np.nan
    codes = rows.worst[:, column]
    worst = np.full(bins, -1, dtype=np.int8)
    np.maximum.at(worst, bin_of, np.where(codes < 0, -1, codes >> 30).astype(np.int8))
    return Series(np.clip(mean, minimum, maximum), minimum, maximum, np.full(bins, np.nan), worst)


def _gather(
    bin_of: NDArray[np.int64], values: Floats, uncertainty: Floats, quality: Codes, bins: int
) -> Series:
    usable = np.isfinite(values) & (quality < 2)
    at, kept = bin_of[usable], values[usable]
    minimum, maximum = np.full(bins, np.inf), np.full(bins, -np.inf)
    np.minimum.at(minimum, at, kept)
    np.maximum.at(maximum, at, kept)
    count = np.bincount(at, minlength=bins)
    empty = count == 0
    total = np.bincount(at, weights=kept, minlength=bins)
    mean = np.divide(total, count, out=np.full(bins, np.nan), where=~empty)
    minimum[empty] = maximum[empty] = np.nan
    known = usable & np.isfinite(uncertainty)
    spread = np.full(bins, -np.inf)
    np.maximum.at(spread, bin_of[known], uncertainty[known])
    worst = np.full(bins, -1, dtype=np.int8)
    np.maximum.at(worst, bin_of, quality)
    return Series(
        np.clip(mean, minimum, maximum),  # rounding must not leave the band
        minimum,
        maximum,
        np.where(np.isfinite(spread), spread, np.nan),
        worst,
    )
