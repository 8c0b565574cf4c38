"""What is packed comes back, and damage does not pass for data."""

from __future__ import annotations

import json
import math
import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.journal.packing import (
    _STATE_NUMBERS,
    DamagedRow,
    Layout,
    ScanRow,
    layout_of,
    pack_record,
    pack_scan,
    unpack_event,
    unpack_transition,
)
from daemon.model import Event, LikelyCause, OperatingState, Outcome, Reading, Result, Status
from tests.support.outcomes import event, outcome, transition

finite = st.floats(allow_nan=False, allow_infinity=False)
statuses = st.sampled_from(Status)
reasons = st.text(max_size=60)
readings = st.builds(Reading, st.none() | finite, statuses, finite, finite, reasons)
results = st.builds(Result, st.none() | finite, st.none() | st.floats(0, 1e6, width=32), statuses, reasons)


@given(
    st.dictionaries(st.text(min_size=1, max_size=8), readings, max_size=12),
    st.dictionaries(st.text(min_size=1, max_size=8), results, max_size=12),
    st.sampled_from(OperatingState),
    st.integers(0, 2**32 - 1),
)
def test_a_scan_comes_back_whole(signals, calculated, state, number):
    packed = Outcome("u", number, 1.5, 2.5, state, signals, calculated)
    row = ScanRow(Layout.from_json(layout_of(packed).to_json()), pack_scan(packed))
    record = row.record("u", 1.5)
    assert dict(record.signals) == signals
    assert dict(record.results) == calculated
    assert (record.unit, record.time, record.state, row.scan_number) == ("u", 1.5, state, number)


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_any_changed_byte_is_noticed(place, change):
    packed = outcome(3, bad=True)
    body = bytearray(pack_scan(packed))
    body[place % len(body)] ^= change
    with pytest.raises(DamagedRow):
        ScanRow(layout_of(packed), bytes(body))


def test_a_row_does_not_open_under_another_layout():
    packed = outcome(3)
    with pytest.raises(DamagedRow, match="5 columns"):
        ScanRow(Layout(("one",), ()), pack_scan(packed))


def test_not_a_number_is_stored_as_no_value():
    packed = Outcome(
        "u",
        0,
        0.0,
        0.0,
        OperatingState.UNKNOWN,
        {"s": Reading(math.nan, Status.BAD_SENSOR_FAILURE, 0.0, 0.0)},
        {},
    )
    assert ScanRow(layout_of(packed), pack_scan(packed)).value(0) is None


def test_a_long_reason_is_cut_between_characters():
    reason = "°" * 400
    packed = Outcome(
        "u",
        0,
        0.0,
        0.0,
        OperatingState.UNKNOWN,
        {"s": Reading(None, Status.BAD_TIMEOUT, 0.0, 0.0, reason)},
        {},
    )
    assert ScanRow(layout_of(packed), pack_scan(packed)).verdict(0)[1] == "°" * 250


def test_every_operating_state_has_a_number_of_its_own():
    assert set(_STATE_NUMBERS) == set(OperatingState)
    assert len(set(_STATE_NUMBERS.values())) == len(OperatingState)


def test_a_healthy_scan_takes_little_more_than_its_numbers():
    packed = outcome(1, columns=(25, 22))
    numbers = 8 * (25 + 22) + 4 * 22
    assert len(pack_scan(packed)) - numbers <= struct.calcsize("<BBHHHI") + 16 + 6 + 4


def test_records_come_back_and_are_written_the_same_way_every_time():
    raised, happened = transition(4, actor="maria"), event(5)
    assert unpack_transition("north", pack_record(raised)) == raised
    assert unpack_event("north", pack_record(happened)) == happened
    turned = Event(
        happened.unit, happened.kind, happened.time, happened.message, dict(reversed(happened.data.items()))
    )
    assert pack_record(turned) == pack_record(happened)


def test_a_transition_keeps_its_class_and_likely_causes_and_one_from_before_has_none():
    cause = LikelyCause("gas hotter", 0.62, ("contactor up",), (), ("inlet water",), "Look at the cooler.")
    raised = replace(transition(4), alarm_class="contract", causes=(cause,))
    assert unpack_transition("north", pack_record(raised)) == raised
    old = json.loads(pack_record(transition(4)))
    del old["alarm_class"]
    assert "causes" not in old
    before = unpack_transition("north", json.dumps(old))
    assert (before.alarm_class, before.causes) == ("", ())


def test_a_record_holds_no_number_that_json_does_not_know():
    text = pack_record(Event("u", "k", 1.0, "m", {"ratio": math.inf, "other": math.nan}))
    assert unpack_event("u", text).data == {"ratio": None, "other": None}
