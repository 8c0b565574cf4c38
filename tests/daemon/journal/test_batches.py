"""Rows opened by the thousand say what each says when it is opened by itself, whatever is damaged."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.journal.batches import open_rows
from daemon.journal.packing import STATES, DamagedRow, Layout, ScanRow, pack_scan
from daemon.model import OperatingState, Outcome, Reading, Result, Status

SIGNALS, RESULTS = ("a", "b", "c"), ("x", "y")
LAYOUT = Layout(SIGNALS, RESULTS)
finite = st.floats(-1e9, 1e9)
# Few different ones, so that rows share lengths, stamps and verdicts, and some do not.
times, statuses = st.sampled_from([10.0, 10.0, 11.5]), st.sampled_from([Status.GOOD, *Status])
reasons = st.sampled_from(["", "", "open circuit", "old °"])
readings = st.builds(Reading, st.none() | finite, statuses, times, times, reasons)
results = st.builds(Result, st.none() | finite, st.none() | st.floats(0, 1e6, width=32), statuses, reasons)
scans = st.builds(
    lambda state, signals, calculated: Outcome(
        "u", 1, 12.0, 12.0, state, dict(zip(SIGNALS, signals, strict=True)),
        dict(zip(RESULTS, calculated, strict=True)),
    ),
    st.sampled_from(OperatingState), st.tuples(*[readings] * 3), st.tuples(*[results] * 2),
)  # fmt: skip
damages = st.none() | st.tuples(st.integers(0, 500), st.integers(1, 255)) | st.integers(0, 40)


def damaged(body: bytes, how: tuple[int, int] | int | None) -> bytes:
    """The row as it is, with a changed byte, or cut off."""
    if how is None:
        return body
    if isinstance(how, int):
        return body[:how]
    at, change = how[0] % len(body), how[1]
    return body[:at] + bytes([body[at] ^ change]) + body[at + 1 :]


@given(st.lists(st.tuples(scans, damages), max_size=25))
def test_it_is_what_one_row_at_a_time_says(given_):
    bodies = [damaged(pack_scan(one), how) for one, how in given_]
    found = {}
    for opened in open_rows(LAYOUT, bodies):
        values, spread, source = opened.values(), opened.uncertainties(), opened.source_times()
        for at, place in enumerate(opened.places.tolist()):
            assert place not in found
            found[place] = (
                opened.state[at], values[at], spread[at], source[at], opened.codes[at], opened.reasons[at],
            )  # fmt: skip
    for place, body in enumerate(bodies):
        try:
            row = ScanRow(LAYOUT, body)
        except DamagedRow:
            assert place not in found
            continue
        state, values, spread, source, codes, why = found[place]
        assert STATES[int(state)] is row.state
        for column in range(LAYOUT.columns):
            status, reason = row.verdict(column)
            assert (codes[column], why.get(column, "")) == (int(status), reason)
            assert _or_none(values[column]) == row.value(column)
            assert _or_none(spread[column]) == row.uncertainty(column)
            if column < len(SIGNALS):
                assert source[column] == row.stamp(column)[0]
            else:
                assert math.isnan(source[column])


def test_what_is_no_row_at_all_is_left_out():
    whole = pack_scan(
        Outcome("u", 1, 0.0, 0.0, OperatingState.DRYING, {"a": Reading(1.0, Status.GOOD, 0.0, 0.0)}, {})
    )
    (opened,) = open_rows(Layout(("a",), ()), [None, "text", 7, b"", whole])
    assert opened.places.tolist() == [4]
    assert np.isnan(opened.uncertainties()).all()
    assert opened.values().tolist() == [[1.0]]


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
