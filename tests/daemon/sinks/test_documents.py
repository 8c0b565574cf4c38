"""What is sent: ids, times, units, and that nothing bad looks like a number."""

from __future__ import annotations

import json

import pytest

from config.quantities import Quantity
from config.units import UnitContext, display_units
from daemon.model import Entry, Event
from daemon.sinks.documents import Wording, entry_id, to_json
from daemon.times import rfc3339
from tests.support.journals import CAUSES, START, alarm, scan

US = Wording("north", display_units("us", UnitContext(barometric_pressure=84_000.0)), {})
SI = Wording("north", display_units("si", UnitContext()), {"own": Quantity.PRESSURE})


def test_alarm_document() -> None:
    assert US.document(alarm(17)) == {
        "id": "north-17-1700000017000",
        "sequence": 17,
        "time": "2023-11-14T22:13:37.000Z",
        "site": "north",
        "unit": "unit-1",
        "type": "alarm",
        "alarm": "reboiler_high",
        "occurrence": "unit-1/reboiler_high/1",
        "event": "condition true",
        "state": "UNACK",
        "previous_state": "NORM",
        "annunciated": True,
        "priority": "high",
        "severity": 750,
        "alarm_class": "equipment",
        "message": "Reboiler temperature high",
        "reason": "above 390 degF for 30 s",
        "value": {"value": 390.0, "unit": "°F"},
        "setpoint": {"value": 389.0, "unit": "°F"},
        "first_out": False,
        "actor": "",
        "comment": "",
        "likely_causes": [],
    }


def test_likely_causes_come_ranked_with_their_evidence() -> None:
    document = US.document(alarm(17, causes=CAUSES))
    assert document["likely_causes"] == [
        {
            "fault": "gas hotter than usual",
            "share": 0.618,
            "evidence_for": ("gas temperature up", "reboiler temperature down"),
            "evidence_against": ("gas rate up, expected as usual",),
            "unknown": ("measured outlet moisture",),
            "check": "Look at the inlet cooler.",
        },
        {
            "fault": "pump worn",
            "share": 0.1,
            "evidence_for": ("stroke rate up",),
            "evidence_against": (),
            "unknown": (),
            "check": "Compare delivery with strokes.",
        },
    ]
    assert json.loads(to_json(document))["likely_causes"][0]["evidence_for"][0] == "gas temperature up"


def test_values_document_has_no_number_where_the_value_is_bad() -> None:
    document = US.document(scan(3))
    signals, results = document["signals"], document["results"]
    assert signals["gas_rate"] == {  # type: ignore[index]
        "value": None,
        "unit": "",
        "status": "BadTimeout",
        "reason": "no answer within 1 s",
        "time": rfc3339(START + 3),
    }
    assert signals["reboiler_temperature"]["value"] == 390.0  # type: ignore[index]
    # 5 K and 1.5 K of difference are 9 and 2.7 degF: 9/5 by definition of the scale.
    assert results["dew_point_margin"] == {  # type: ignore[index]
        "value": 9.0,
        "unit": "°F",
        "uncertainty": 2.7,
        "status": "Good",
        "reason": "",
    }


def test_amounts_carry_the_unit_of_the_site() -> None:
    assert SI.amount(300_000.0, "pressure") == {"value": pytest.approx(1.98675), "unit": "barg"}
    assert SI.amount(None, "pressure") is None
    assert SI.amount(float("nan"), "pressure") is None
    assert SI.amount(2.5, "") == {"value": 2.5, "unit": ""}
    assert US.text(472.0388888888889, "temperature") == "390.0 °F"


def test_an_id_is_the_same_for_a_repeat_and_another_after_a_new_journal() -> None:
    assert entry_id("a", alarm(5)) == entry_id("a", alarm(5))
    later = Entry(5, "unit-1", START + 86_400, alarm(5).body)
    assert entry_id("a", later) != entry_id("a", alarm(5))


def test_json_is_strict_and_escapes_what_could_break_a_line() -> None:
    odd = Entry(1, "u", START, Event("u", "note", START, 'two\nlines "and" \x00', {"x": float("inf")}))
    text = to_json(US.document(odd))
    assert b"\n" not in text
    assert json.loads(text)["message"] == 'two\nlines "and" \x00'
    assert json.loads(text)["data"] == {"x": "inf"}
