"""Line protocol: the same text as the public client library writes, and what each entry becomes."""

from __future__ import annotations

import math
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point

from config.quantities import Quantity
from config.units import UnitContext, display_units
from daemon.model import Entry, Event, OperatingState, Reading, Result, ScanRecord, Status
from daemon.sinks.documents import Wording
from daemon.sinks.line_protocol import Encoder, decimal, series, text
from tests.support.influx_server import parse_line
from tests.support.journals import START, alarm, scan

WORDING = Wording("north field", display_units("us", UnitContext()), {})
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=12)


FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(WORDS.filter(lambda name: name[0] != "#"), st.dictionaries(WORDS, WORDS, max_size=4), WORDS, FINITE)
def test_escapes_as_the_client_library_does(
    measurement: str, tags: dict[str, str], words: str, number: float
) -> None:
    number = float(decimal(number))
    client: Any = Point  # it has no types
    point = client(measurement).field("text", words).field("value", number).time(17)
    for name, value in tags.items():
        point.tag(name, value)
    line = f"{series(measurement, tags)} text={text(words)},value={decimal(number)} 17"
    theirs = point.to_line_protocol()
    assert line.rpartition("value=")[0] == theirs.rpartition("value=")[0]
    written, expected = (each.rpartition("value=")[2].split(" ") for each in (line, theirs))
    assert (float(written[0]), written[1]) == (float(expected[0]), expected[1])


def test_a_scan_becomes_a_point_a_value() -> None:
    lines = Encoder(WORDING, "tegwatch").lines(scan(7))
    points = {parse_line(line)[0]: parse_line(line)[1:] for line in lines}
    head = r"site=north\ field,unit=unit-1"
    time = int((START + 7) * 1e9)
    fields, at = points[rf"tegwatch_signal,measured_in=°F,name=reboiler_temperature,{head}"]
    assert (fields, at) == ({"age": 0.0, "quality": 0, "status": 0, "value": 390.0}, time)
    bad, _ = points[rf"tegwatch_signal,measured_in=MMscfd,name=gas_rate,{head}"]
    assert bad == {
        "age": 0.0,
        "quality": 2,
        "status": int(Status.BAD_TIMEOUT),
        "reason": "no answer within 1 s",
    }
    margin, _ = points[rf"tegwatch_result,measured_in=°F,name=dew_point_margin,{head}"]
    assert (margin["value"], margin["uncertainty"]) == (9.0, 2.7)
    assert points[rf"tegwatch_state,{head}"] == ({"sequence": 7, "state": "drying"}, time)
    assert len(lines) == 4


def test_a_reason_stays_on_its_line() -> None:
    reading = Reading(None, Status.BAD_CONFIGURATION_ERROR, START, 1.0, 'no number in "a\r\nb"\nx,y=1 2')
    record = ScanRecord("unit-1", START, OperatingState.DRYING, {"gas_rate": reading}, {})
    [line, _] = Encoder(WORDING, "tegwatch").lines(Entry(1, "unit-1", START, record))
    assert parse_line(line)[1]["reason"] == 'no number in "a b" x,y=1 2'
    assert len(line.splitlines()) == 1


def test_si_values_carry_no_unit() -> None:
    lines = Encoder(WORDING, "plant", si=True).lines(scan(7))
    assert any(
        line.startswith(r"plant_signal,name=reboiler_temperature,site=north\ field,unit=unit-1 age=0,")
        and "value=472.038889" in line
        for line in lines
    )


def test_an_alarm_keeps_its_words_and_its_place_among_others_of_the_same_time() -> None:
    first, second = alarm(1004), alarm(1005, message='He said "hot"')
    second = Entry(second.sequence, second.unit, first.time, second.body)
    lines = [line for entry in (first, second) for line in Encoder(WORDING, "tegwatch").lines(entry)]
    (key, fields, time), (_, words, later) = map(parse_line, lines)
    assert key == (
        r"tegwatch_alarm,alarm=reboiler_high,class=equipment,measured_in=°F,priority=high,"
        r"site=north\ field,unit=unit-1"
    )
    assert (later - time, time // 1000) == (1, int(first.time * 1e6))
    assert (fields["state"], fields["annunciated"], fields["severity"]) == ("UNACK", 1, 750)
    assert (fields["value"], fields["setpoint"]) == (390.0, 389.0)
    assert words["message"] == 'He said "hot"'


def test_an_event_carries_its_data_as_one_text() -> None:
    body = Event("", "clock", START, "stepped", {"step": math.inf, "count": 3})
    [line] = Encoder(WORDING, "tegwatch").lines(Entry(5, "", START, body))
    key, fields, _ = parse_line(line)
    assert key == r"tegwatch_event,kind=clock,site=north\ field"
    assert fields == {"data": '{"step": "inf", "count": 3}', "message": "stepped", "sequence": 5}


def test_a_value_that_came_late_says_nothing_of_the_state() -> None:
    reading = Reading(300.0, Status.GOOD, START - 60.0, 1.0)
    record = ScanRecord("unit-1", START, OperatingState.UNKNOWN, {"contactor_temperature": reading}, {})
    line, scan_line = Encoder(WORDING, "tegwatch").lines(Entry(1, "unit-1", START, record))
    assert "age=60," in line
    assert parse_line(scan_line)[1] == {"sequence": 1}


def test_a_site_may_have_quantities_and_results_that_nobody_knows() -> None:
    wording = Wording("s", WORDING.units, {"amine": Quantity.TEMPERATURE})
    signals = {name: Reading(300.0, Status.GOOD, START, 1.0) for name in ("amine", "other")}
    record = ScanRecord("u", START, OperatingState.DRYING, signals, {"new": Result(1.5, None, Status.GOOD)})
    lines = Encoder(wording, "t").lines(Entry(1, "u", START, record))
    assert [line.split(" ")[0] for line in lines[:3]] == [
        "t_signal,measured_in=°F,name=amine,site=s,unit=u",
        "t_signal,name=other,site=s,unit=u",
        "t_result,name=new,site=s,unit=u",
    ]
