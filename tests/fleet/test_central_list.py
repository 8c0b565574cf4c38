"""The independent reader's own rules: repeats, order, clocks."""

from __future__ import annotations

import datetime
import json
import time
from typing import Any

import pytest

from tests.support.central_list import CentralList


def event(sequence: int, site: str = "box-1", **more: Any) -> tuple[list[str], bytes]:
    document = {"id": f"{site}-{sequence}", "sequence": sequence, "unit": "u", "alarm": "hot", **more}
    return ["tegwatch", site, "event"], json.dumps(document).encode()


def test_a_repeat_is_dropped_and_a_late_stranger_is_told() -> None:
    central = CentralList()
    for sequence in (1, 2, 2, 1, 4, 3):
        central.take(*event(sequence))
    central.take(*event(1, "box-2"))

    assert (central.repeats, central.disorder) == (2, 1)


def test_what_is_newer_is_told_by_sequence_not_by_a_clock() -> None:
    central = CentralList()
    levels = ["tegwatch", "box-1", "u", "alarm", "hot"]
    _, newer = event(9, state="ACKED", time="1999-01-01T00:00:00Z")
    _, older = event(8, state="UNACK", time="2026-01-01T00:00:00Z")
    central.take(levels, newer)
    central.take(levels, older)

    assert central.standing() == {("box-1", "u", "hot"): "ACKED"}


@pytest.mark.parametrize(("ahead", "off"), [(0.0, False), (-60.0, True), (60.0, True)])
def test_delay_on_the_way_is_not_taken_for_a_clock_that_is_off(ahead: float, off: bool) -> None:
    central = CentralList()
    for delay in (0.1, 8.0, 20.0):
        told = datetime.datetime.fromtimestamp(time.time() + ahead - delay, datetime.UTC).isoformat()
        central.take(["tegwatch", "box-1", "heartbeat"], json.dumps({"time": told}).encode())

    assert ("box-1" in central.clocks_off()) is off
