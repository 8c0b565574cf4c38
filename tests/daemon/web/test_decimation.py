"""Decimation against a plain loop, for any rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.journal.grid import Grid
from daemon.journal.summaries import combined, of_scans
from daemon.web.decimation import decimate, decimate_statistics

ROWS = st.lists(
    st.tuples(
        st.floats(0.0, 100.0),
        st.one_of(st.just(math.nan), st.floats(-1e6, 1e6)),
        st.one_of(st.just(math.nan), st.floats(0.0, 10.0)),
        st.sampled_from([-1, 0, 1, 2]),
    ),
    max_size=60,
)


@given(ROWS, st.integers(1, 12))
def test_it_is_what_a_plain_loop_finds(rows: list[tuple[float, float, float, int]], bins: int) -> None:
    rows = sorted(rows, key=lambda row: row[0])
    width = 100.0 / bins
    time = np.array([row[0] for row in rows])
    values, spread = (np.array([[row[column]] for row in rows]).reshape(len(rows), 1) for column in (1, 2))
    quality = np.array([[row[3]] for row in rows], dtype=np.int8).reshape(len(rows), 1)

    (found,) = decimate(time, values, spread, quality, 0.0, width, bins)

    for index in range(bins):
        inside = [row for row in rows if math.floor(row[0] / width) == index]
        usable = [row for row in inside if row[3] < 2 and not math.isnan(row[1])]
        assert found.quality[index] == max((row[3] for row in inside), default=-1)
        if not usable:
            assert math.isnan(found.mean[index])
            assert math.isnan(found.minimum[index])
            assert math.isnan(found.maximum[index])
            continue
        kept = [row[1] for row in usable]
        assert (found.minimum[index], found.maximum[index]) == (min(kept), max(kept))
        assert found.mean[index] == pytest.approx(math.fsum(kept) / len(kept), rel=1e-9, abs=1e-6)
        assert found.minimum[index] <= found.mean[index] <= found.maximum[index]
        known = [row[2] for row in usable if not math.isnan(row[2])]
        assert math.isnan(found.uncertainty[index]) if not known else found.uncertainty[index] == max(known)


@given(ROWS, st.integers(1, 12), st.sampled_from([1.0, 2.5]))
def test_from_statistics_nothing_is_lost_and_nothing_is_far_from_its_place(
    rows: list[tuple[float, float, float, int]], bins: int, step: float
) -> None:
    rows = sorted(rows, key=lambda row: row[0])
    codes = {-1: -1, 0: 0, 1: 0x40000000, 2: 0x80000000}
    width = 100.0 / bins
    scans = of_scans(
        np.array([row[0] for row in rows]), np.arange(len(rows)),
        np.array([row[1] for row in rows]).reshape(-1, 1),
        np.array([codes[row[3]] for row in rows], dtype=np.int64).reshape(-1, 1),
    )  # fmt: skip

    (found,) = decimate_statistics(combined(scans, Grid(step)), step / 2, 0.0, width, bins)

    usable = [row for row in rows if row[3] in {0, 1} and not math.isnan(row[1])]
    assert np.isfinite(found.mean).sum() == np.isfinite(found.minimum).sum()
    if usable:
        assert np.nanmin(found.minimum) == min(row[1] for row in usable)
        assert np.nanmax(found.maximum) == max(row[1] for row in usable)
    assert found.quality.max() == max((row[3] for row in rows), default=-1)
    for row in usable:
        near = [
            index for index in range(bins) if index * width - step <= row[0] <= (index + 1) * width + step
        ]
        assert any(found.minimum[index] <= row[1] <= found.maximum[index] for index in near)


@pytest.mark.parametrize(("width", "bins"), [(0.0, 1), (-1.0, 1), (math.nan, 1), (1.0, 0)])
def test_no_picture_without_bins(width: float, bins: int) -> None:
    nothing = np.empty((0, 1))
    with pytest.raises(ValueError, match="no picture"):
        decimate(np.empty(0), nothing, nothing, nothing.astype(np.int8), 0.0, width, bins)
