"""Decimation against a plain loop, for any rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.web.decimation import decimate

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


@pytest.mark.parametrize(("width", "bins"), [(0.0, 1), (-1.0, 1), (math.nan, 1), (1.0, 0)])
def test_no_picture_without_bins(width: float, bins: int) -> None:
    nothing = np.empty((0, 1))
    with pytest.raises(ValueError, match="no picture"):
        decimate(np.empty(0), nothing, nothing, nothing.astype(np.int8), 0.0, width, bins)
