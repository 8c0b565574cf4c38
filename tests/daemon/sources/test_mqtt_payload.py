"""What MQTT messages say: formats, times, retained and late messages, nonsense."""

from __future__ import annotations

import datetime
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.controllers import MqttBroker
from config.signals import MqttSignal
from config.topics import check_filter, matches, parse_path
from daemon.model import Quality, Reading, Status
from daemon.sources.base import Scaling
from daemon.sources.mqtt_payload import (
    LARGEST_PAYLOAD,
    Arrival,
    Decoded,
    PayloadError,
    Point,
    decode,
    point_of,
    source_time,
)

NOW = 1_700_000_000.0
LIVE = Arrival(wall=NOW, monotonic=5000.0, connected=1000.0, resumed=True)
RETAINED = Arrival(wall=NOW, monotonic=5000.0, connected=1000.0, resumed=True, retained=True)
BROKER = MqttBroker(name="broker", protocol="mqtt", host="broker.invalid")


def number(**changes: object) -> Point:
    return Point("unit-1", "reboiler_temperature", Scaling(), "number", **changes)  # type: ignore[arg-type]


def in_json(path: str, time_path: str | None = "t", **changes: object) -> Point:
    return Point(
        "unit-1",
        "reboiler_temperature",
        changes.pop("scaling", Scaling()),  # type: ignore[arg-type]
        "json",
        parse_path(path),
        None if time_path is None else parse_path(time_path),
        **changes,  # type: ignore[arg-type]
    )


def only(payload: bytes, point: Point, arrival: Arrival = LIVE) -> Decoded:
    (decoded,) = decode(payload, [point], arrival)
    return decoded


def iso(time: float) -> str:
    return datetime.datetime.fromtimestamp(time, datetime.UTC).isoformat()


@pytest.mark.parametrize(
    ("payload", "value"), [(b"375.5", 375.5), (b" -1e3\n", -1000.0), (b"+.5", 0.5), (b"7", 7.0)]
)
def test_plain_number(payload: bytes, value: float) -> None:
    assert only(payload, number()) == Decoded(number(), Reading(value, Status.GOOD, NOW, 5000.0))


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "the value is empty"),
        (b"12,5", "'12,5' is not a number"),
        (b"0x10", "'0x10' is not a number"),
        (b"1_000", "'1_000' is not a number"),
        (b"12 degF", "'12 degF' is not a number"),
        (b"off", "'off' is not a number"),
        (b"\xff\xfe", "payload b'\\xff\\xfe' is not text"),
        ("١٢".encode(), "'\\u0661\\u0662' is not a number"),
    ],
)
def test_what_is_no_number_is_bad_and_says_so(payload: bytes, reason: str) -> None:
    reading = only(payload, number()).reading
    assert (reading.value, reading.status, reading.reason) == (None, Status.BAD_CONFIGURATION_ERROR, reason)


@pytest.mark.parametrize("payload", [b"nan", b"-Infinity", b"1e999"])
def test_not_finite_is_a_sensor_failure(payload: bytes) -> None:
    reading = only(payload, number()).reading
    assert (reading.value, reading.status) == (None, Status.BAD_SENSOR_FAILURE)


def test_words_for_states_only_where_a_state_is_wanted() -> None:
    state = Point("unit-1", "burner_on", Scaling(is_state=True), "json", ("on",))
    assert [
        only(text, state).reading.value for text in (b'{"on": true}', b'{"on": "off"}', b'{"on": 1}')
    ] == [
        1.0,
        0.0,
        1.0,
    ]
    refused = only(b'{"v": true}', in_json("v", None)).reading
    assert (refused.value, refused.reason) == (None, "True is not a number")


def test_json_path_and_scaling() -> None:
    point = in_json("points[1].v", "points[1].t", scaling=Scaling(5 / 9, 255.3722222222222))
    payload = json.dumps({"points": [{"v": 0}, {"v": 390.0, "t": iso(NOW - 2)}]}).encode()
    reading = only(payload, point).reading
    assert reading.value == pytest.approx(472.0389, abs=1e-3)  # 390 degF by definition of the scale
    assert (reading.time, reading.received, reading.status) == (NOW - 2, 4998.0, Status.GOOD)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"{", "payload b'{' is not JSON"),
        (b"{}", 'payload has no "values"'),
        (b'{"values": []}', 'payload has no "values.a"'),
        (b'{"values": {"a": null}}', "None is not a number"),
        (b'{"values": {"a": {"b": 1}}}', "{'b': 1} is not a number"),
        (b"[" * 100_000, "payload b'[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[... is not JSON"),
        (b"1" * (LARGEST_PAYLOAD + 1), "payload of 262145 bytes is longer than 262144"),
        (b'{"values": {"a": 1' + b"0" * 400 + b"}}", "1" + "0" * 36 + "... is too large"),
    ],
)
def test_json_that_does_not_hold_the_value(payload: bytes, reason: str) -> None:
    reading = only(payload, in_json("values.a", None)).reading
    assert (reading.value, reading.reason) == (None, reason)


def test_a_list_position_is_not_a_name() -> None:
    reading = only(b'{"0": 5}', in_json("[0]", None)).reading
    assert (reading.value, reading.reason) == (None, 'payload has no "[0]"')


def test_csv_column_and_time() -> None:
    point = Point("unit-1", "gas_rate", Scaling(), "csv", (3,), (1,), time_format="epoch s")
    reading = only(b"1699999999, 12 ,4.5\r\n", point).reading
    assert (reading.value, reading.time) == (4.5, NOW - 1)
    short = only(b"1,2", point).reading
    assert (short.value, short.reason) == (None, "payload has 2 columns, column 3 is wanted")


def test_on_a_wildcard_topic_a_message_without_the_path_is_about_something_else() -> None:
    assert decode(b'{"other": 1}', [in_json("values.a", None, wildcard=True)], LIVE) == []


@pytest.mark.parametrize(
    ("stamp", "form", "time"),
    [
        (1_700_000_000, "epoch s", NOW),
        ("1700000000.5", "epoch s", NOW + 0.5),
        (1_700_000_000_250, "epoch ms", NOW + 0.25),
        ("2023-11-14T22:13:20Z", "ISO 8601", NOW),
        ("2023-11-14T22:13:20", "ISO 8601", NOW),
        ("2023-11-14T15:13:20-07:00", "ISO 8601", NOW),
    ],
)
def test_source_times(stamp: object, form: str, time: float) -> None:
    assert source_time(stamp, form) == time  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("stamp", "form"),
    [
        (1_700_000_000_000, "epoch s"),  # milliseconds taken for seconds
        (1_700_000_000, "epoch ms"),
        (12.0, "epoch s"),  # a clock that started at 1970
        ("yesterday", "ISO 8601"),
        (1_700_000_000, "ISO 8601"),
        (None, "epoch s"),
        (True, "epoch s"),
        (math.nan, "epoch s"),
        ("9999-12-31T23:59:59Z", "ISO 8601"),
    ],
)
def test_times_that_cannot_be_are_refused(stamp: object, form: str) -> None:
    with pytest.raises(PayloadError, match=r"time stamp|not a number"):
        source_time(stamp, form)  # type: ignore[arg-type]


def test_retained_without_time_is_not_taken_as_live() -> None:
    reading = only(b"375", number(), RETAINED).reading
    assert (reading.value, reading.status) == (None, Status.BAD_WAITING_FOR_INITIAL_DATA)


@pytest.mark.parametrize(
    ("age", "value", "status"),
    [
        (1.0, 375.0, Status.GOOD),
        (200.0, 375.0, Status.UNCERTAIN_LAST_USABLE_VALUE),
        (301.0, None, Status.BAD_WAITING_FOR_INITIAL_DATA),
    ],
)
def test_retained_with_time_is_judged_by_its_age(age: float, value: float | None, status: Status) -> None:
    payload = json.dumps({"v": 375, "t": iso(NOW - age)}).encode()
    reading = only(payload, in_json("v"), RETAINED).reading
    assert (reading.value, reading.status, reading.received) == (value, status, 5000.0 - age)


def test_what_waited_at_the_broker_is_history_not_the_present() -> None:
    decoded = only(json.dumps({"v": 375, "t": iso(NOW - 3600)}).encode(), in_json("v"))
    assert decoded.reading.status is Status.UNCERTAIN_LAST_USABLE_VALUE
    assert decoded.reading.received == 5000.0 - 3600
    assert "3600 s before it arrived" in decoded.reading.reason
    assert decoded.history == Reading(375.0, Status.GOOD, NOW - 3600, 5000.0 - 3600)


def test_without_a_time_the_first_values_after_a_resumed_session_are_uncertain() -> None:
    just_connected = Arrival(NOW, 1005.0, connected=1000.0, resumed=True)
    assert only(b"1", number(), just_connected).reading.status is Status.UNCERTAIN_LAST_USABLE_VALUE
    later = Arrival(NOW, 1010.1, connected=1000.0, resumed=True)
    assert only(b"1", number(), later).reading.status is Status.GOOD
    clean = Arrival(NOW, 1005.0, connected=1000.0, resumed=False)
    assert only(b"1", number(), clean).reading.status is Status.GOOD


def test_a_source_clock_that_is_ahead_makes_no_value_younger_than_now() -> None:
    reading = only(json.dumps({"v": 1, "t": iso(NOW + 50)}).encode(), in_json("v")).reading
    assert (reading.time, reading.received) == (NOW + 50, 5000.0)


@given(st.binary(max_size=200), st.booleans(), st.sampled_from(["number", "json", "csv"]))
def test_no_payload_raises_and_no_bad_reading_has_a_value(
    payload: bytes,
    retained: bool,
    kind: str,
) -> None:
    path = {"number": (), "json": ("a", 0), "csv": (2,)}[kind]
    point = Point("u", "s", Scaling(), kind, path)  # type: ignore[arg-type]
    for decoded in decode(payload, [point], RETAINED if retained else LIVE):
        assert (decoded.reading.value is None) == (decoded.reading.quality is Quality.BAD)
        assert decoded.reading.quality is Quality.GOOD or decoded.reading.reason


@given(st.floats(allow_nan=False, allow_infinity=False), st.lists(st.integers(0, 3), max_size=4))
def test_any_number_comes_back_from_any_depth(value: float, positions: list[int]) -> None:
    document: object = value
    for position in reversed(positions):
        document = [None] * position + [{"x": document}]
    path = "".join(f"[{position}].x" for position in positions)
    if not path:
        return
    assert only(json.dumps(document).encode(), in_json(path, None)).reading.value == value


@given(st.lists(st.text("ab", min_size=1, max_size=2), min_size=1, max_size=4), st.data())
def test_a_topic_matches_itself_and_itself_with_wildcards(levels: list[str], data: st.DataObject) -> None:
    topic = "/".join(levels)
    wanted = [data.draw(st.sampled_from([level, "+"])) for level in levels]
    assert matches("/".join(wanted), topic)
    cut = data.draw(st.integers(0, len(levels)))
    assert matches("/".join([*wanted[:cut], "#"]), topic)
    assert not matches("/".join([*wanted, "+"]), topic)


@pytest.mark.parametrize("wrong", ["", "a/#/b", "a/b+", "a/#b", "+a"])
def test_filters_that_mqtt_refuses(wrong: str) -> None:
    with pytest.raises(ValueError, match="topic"):
        check_filter(wrong)


def signal(**keys: object) -> MqttSignal:
    return MqttSignal.model_validate({"controller": "broker", "topic": "a/b", "unit": "degF", **keys})


def test_signals_become_points() -> None:
    made = point_of(
        "u", "s", signal(payload="csv", path="2", time_path="1", expected_period=3.0), Scaling(), BROKER
    )
    assert (made.path, made.time_path, made.expected_period, made.wildcard) == ((2,), (1,), 3.0, False)
    made = point_of("u", "s", signal(topic="a/+", payload="json", path="v"), Scaling(), BROKER)
    assert (made.path, made.expected_period, made.wildcard) == (("v",), 10.0, True)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"payload": "json"}, 'a JSON payload needs "path"'),
        ({"payload": "json", "path": "a..b"}, "is no path"),
        ({"payload": "json", "path": "a[x]"}, "is no path"),
        ({"payload": "csv", "path": "temperature"}, "columns of a CSV payload are counted from 1"),
        ({"path": "v"}, 'need payload = "json" or "csv"'),
        ({"topic": "a/+"}, "does not say whose it is"),
        ({"topic": "a/#/b"}, "whole last level"),
    ],
)
def test_signals_that_cannot_be_read_are_refused(keys: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        point_of("u", "s", signal(**keys), Scaling(), BROKER)
