"""Sparkplug B: the wire format against the published schema, and the lives of nodes and devices."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.model import Status
from daemon.sources.sparkplug_payload import MAX_PAYLOAD, SparkplugError, decode
from daemon.sources.sparkplug_state import Observation, SparkplugState, parse_topic, subscriptions
from tests.support.sparkplug import birth, data, death, metric, payload

CASES = json.loads((Path(__file__).parents[2] / "data" / "sparkplug_b_messages.json").read_text())["cases"]
WALL, MONO = 1_700_000_000.0, 1000.0
STALE = Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
TEMPERATURE, PRESSURE = ("edge", None, "temperature"), ("edge", "plc", "pressure")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_messages_of_the_published_schema(case: dict[str, Any]) -> None:
    expected = case["expected"]
    read = decode(bytes.fromhex(case["payload"]))
    assert (read.seq, read.time) == (expected["seq"], expected["time"])
    if "historical" not in expected:
        assert [[m.name, m.alias, m.value, m.problem] for m in read.metrics] == expected["metrics"]
        return
    told = decode(bytes.fromhex(case["payload"]), dict.fromkeys(range(3, 7), 9))
    assert [[m.name, m.alias, m.value, m.problem] for m in told.metrics] == expected["metrics"]
    assert [m.historical for m in told.metrics] == expected["historical"]
    assert [m.null for m in told.metrics] == expected["null"]
    assert [m.quality for m in told.metrics] == expected["quality"]
    assert told.metrics[0].time == WALL - 60


def test_a_whole_number_without_a_data_type_is_not_guessed() -> None:
    (read,) = decode(payload(metric("count", 5, datatype=None, alias=9) + b"\x58\x05")).metrics
    assert read.value is None
    (read,) = decode(payload(b"\x0a\x01c" + b"\x50\x05")).metrics
    assert (read.value, read.problem) == (None, "int_value without a data type: its sign is not known")


@given(st.binary(max_size=300))
def test_random_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        read = decode(data)
    except SparkplugError:
        return
    assert all((m.value is None) == (m.null or bool(m.problem)) for m in read.metrics)


def test_a_payload_that_is_too_long_is_refused() -> None:
    with pytest.raises(SparkplugError, match="longer than"):
        decode(b"\0" * (MAX_PAYLOAD + 1))


def test_topics() -> None:
    assert parse_topic("spBv1.0/field/NBIRTH/edge", "field") is not None
    for other in (
        "spBv1.0/field/NCMD/edge",
        "spBv1.0/field/DCMD/edge/plc",
        "spBv1.0/STATE/host",
        "spBv1.0/other/NBIRTH/edge",
        "spBv1.0/field/NBIRTH/edge/plc",
        "spBv1.0/field/DDATA/edge",
        "spAv1.0/field/NBIRTH/edge",
        "x",
    ):
        assert parse_topic(other, "field") is None
    topics = subscriptions("field", ["edge", "edge"])
    assert len(topics) == 6
    assert not any("CMD" in topic or "STATE" in topic for topic in topics)


class Field:
    """One state under test; keeps what is known now and what was history."""

    def __init__(self) -> None:
        self.state = SparkplugState("field", [TEMPERATURE, PRESSURE], reorder_timeout=5.0)
        self.now = MONO
        self.known: dict[tuple[str, str | None, str], Observation] = {}
        self.history: list[Observation] = []
        self.take(self.state.start(WALL, self.now))

    def take(self, seen: list[Observation]) -> None:
        for each in seen:
            if each.historical:
                self.history.append(each)
            else:
                self.known[each.key] = each

    def node(self, kind: str, data: bytes) -> None:
        self.take(self.state.receive(f"spBv1.0/field/{kind}/edge", data, WALL + self.now - MONO, self.now))

    def device(self, kind: str, data: bytes) -> None:
        topic = f"spBv1.0/field/{kind}/edge/plc"
        self.take(self.state.receive(topic, data, WALL + self.now - MONO, self.now))

    def wait(self, seconds: float) -> None:
        self.now += seconds
        self.take(self.state.expire(self.now))

    def temperature(self) -> tuple[float | None, Status]:
        return self.known[TEMPERATURE].value, self.known[TEMPERATURE].status

    def pressure(self) -> tuple[float | None, Status]:
        return self.known[PRESSURE].value, self.known[PRESSURE].status

    def all_born(self, bd_seq: int = 0) -> None:
        self.node("NBIRTH", birth(metric("temperature", 190.0, alias=1), bd_seq=bd_seq))
        self.device("DBIRTH", payload(metric("pressure", 70.0, alias=2), seq=1))


@pytest.fixture
def field() -> Field:
    return Field()


def test_before_the_first_birth_the_reason_says_what_brings_one(field: Field) -> None:
    field.node("NDATA", data(5.0, 9))
    assert field.temperature() == (None, Status.BAD_WAITING_FOR_INITIAL_DATA)
    assert "this daemon never does" in field.known[TEMPERATURE].reason


def test_birth_data_by_alias_and_device(field: Field) -> None:
    field.all_born()
    assert field.temperature() == (190.0, Status.GOOD)
    assert field.pressure() == (70.0, Status.GOOD)
    field.now += 2
    field.node("NDATA", data(191.0, 2, time=WALL + 1))
    field.device("DDATA", data(71.0, 3, alias=2))
    assert field.temperature() == (191.0, Status.GOOD)
    assert field.pressure() == (71.0, Status.GOOD)
    assert field.known[TEMPERATURE].time == WALL + 1


def test_every_message_of_a_node_confirms_its_other_values(field: Field) -> None:
    field.all_born()
    field.now += 50
    field.device("DDATA", data(71.0, 2, alias=2))
    assert field.known[TEMPERATURE].received == MONO + 50
    assert field.known[TEMPERATURE].value == 190.0


def test_the_sequence_wraps_after_255(field: Field) -> None:
    field.node("NBIRTH", birth(metric("temperature", 1.0, alias=1), seq=250))
    for n in range(20):
        field.node("NDATA", data(float(n), (251 + n) % 256))
    assert field.temperature() == (19.0, Status.GOOD)
    assert field.state.deadline() is None


def test_messages_that_overtook_each_other_are_put_in_order(field: Field) -> None:
    field.all_born()
    field.node("NDATA", data(3.0, 4))
    field.node("NDATA", data(2.0, 3))
    assert field.temperature() == (190.0, Status.GOOD)
    assert field.state.deadline() == MONO + 5.0
    field.wait(4.9)
    field.node("NDATA", data(1.0, 2))
    assert field.temperature() == (3.0, Status.GOOD)
    assert field.state.deadline() is None
    field.wait(10)
    assert field.temperature() == (3.0, Status.GOOD)


def test_a_missing_number_makes_all_stale_until_the_next_birth(field: Field) -> None:
    field.all_born()
    field.node("NDATA", data(5.0, 3))
    field.wait(5.0)
    assert field.temperature() == (190.0, STALE)
    assert field.pressure() == (70.0, STALE)
    assert field.known[TEMPERATURE].reason.startswith("message with sequence number 2 missing")
    field.node("NDATA", data(6.0, 4))
    field.node("NDATA", data(6.0, 2))
    assert field.temperature() == (190.0, STALE)
    assert field.known[TEMPERATURE].received == MONO
    field.all_born()
    assert field.temperature() == (190.0, Status.GOOD)


def test_a_message_that_comes_twice_changes_nothing(field: Field) -> None:
    field.all_born()
    field.node("NDATA", data(5.0, 2))
    field.node("NDATA", data(5.0, 2))
    field.wait(60.0)
    assert field.temperature() == (5.0, Status.GOOD)


def test_death_with_the_birth_s_bdseq_makes_node_and_devices_stale(field: Field) -> None:
    field.all_born(bd_seq=7)
    field.node("NDEATH", death(6))
    assert field.temperature() == (190.0, Status.GOOD)
    field.node("NDEATH", death(7))
    assert field.temperature() == (190.0, STALE)
    assert field.pressure() == (70.0, STALE)
    field.node("NDATA", data(9.0, 2))
    assert field.temperature() == (190.0, STALE)


def test_a_death_that_overtook_its_birth_counts(field: Field) -> None:
    field.all_born(bd_seq=1)
    field.node("NDEATH", death(2))
    assert field.temperature() == (190.0, Status.GOOD)
    field.node("NBIRTH", birth(metric("temperature", 50.0), bd_seq=2))
    assert field.temperature() == (50.0, STALE)
    field.node("NBIRTH", birth(metric("temperature", 60.0), bd_seq=3))
    assert field.temperature() == (60.0, Status.GOOD)


def test_a_node_that_never_counts_its_connections_lives_again_after_death(field: Field) -> None:
    for value in (1.0, 2.0):
        field.node("NBIRTH", birth(metric("temperature", value), bd_seq=0))
        assert field.temperature() == (value, Status.GOOD)
        field.node("NDEATH", death(0))
        assert field.temperature() == (value, STALE)


def test_a_device_dies_alone_and_is_born_again(field: Field) -> None:
    field.all_born()
    field.device("DDEATH", payload(seq=2))
    assert field.pressure() == (70.0, STALE)
    field.device("DDATA", data(99.0, 3, alias=2))
    assert field.pressure() == (70.0, STALE)
    assert field.temperature() == (190.0, Status.GOOD)
    field.device("DBIRTH", payload(metric("pressure", 80.0, alias=2), seq=4))
    assert field.pressure() == (80.0, Status.GOOD)


def test_a_new_birth_of_the_node_waits_for_its_devices(field: Field) -> None:
    field.all_born()
    field.node("NBIRTH", birth(metric("temperature", 1.0, alias=2)))
    assert field.pressure() == (70.0, STALE)
    field.node("NDATA", data(2.0, 1, alias=2))  # the alias that was the pressure's
    assert field.temperature() == (2.0, Status.GOOD)
    assert field.pressure() == (70.0, STALE)


def test_a_metric_that_the_birth_does_not_name_is_a_configuration_error(field: Field) -> None:
    field.node("NBIRTH", birth(metric("Temperature", 190.0)))
    assert field.temperature() == (None, Status.BAD_CONFIGURATION_ERROR)
    assert field.known[TEMPERATURE].reason == 'the birth message has no metric "temperature"'


@pytest.mark.parametrize(
    ("more", "value", "status"),
    [
        ({"quality": 192}, 5.0, Status.GOOD),
        ({"quality": 500}, 5.0, Status.UNCERTAIN_LAST_USABLE_VALUE),
        ({"quality": 0}, None, Status.BAD_DEVICE_FAILURE),
        ({"quality": 7}, None, Status.BAD_DEVICE_FAILURE),
        ({"null": True}, None, Status.BAD_NO_COMMUNICATION),
    ],
)
def test_quality_and_null(field: Field, more: dict[str, Any], value: float | None, status: Status) -> None:
    field.all_born()
    field.node("NDATA", data(5.0, 2, **more))
    assert field.temperature() == (value, status)
    assert (field.known[TEMPERATURE].reason == "") == (status is Status.GOOD)


def test_history_is_not_the_present(field: Field) -> None:
    field.all_born()
    field.node("NDATA", data(5.0, 2, historical=True, time=WALL - 600))
    assert field.temperature() == (190.0, Status.GOOD)
    (past,) = field.history
    assert (past.value, past.status, past.time) == (5.0, Status.GOOD, WALL - 600)


def test_losing_the_broker_makes_all_stale_and_the_next_number_makes_it_well(field: Field) -> None:
    field.all_born()
    field.take(field.state.broker_lost())
    assert field.temperature() == (190.0, STALE)
    field.now += 30
    field.device("DDATA", data(71.0, 2, alias=2))
    assert field.temperature() == (190.0, Status.GOOD)
    assert field.pressure() == (71.0, Status.GOOD)
    field.take(field.state.broker_lost())
    field.node("NDATA", data(5.0, 9))  # some were missed meanwhile
    field.wait(5.0)
    assert field.temperature() == (190.0, STALE)


def test_an_unreadable_message_is_counted_and_its_number_is_missed(field: Field) -> None:
    field.all_born()
    field.node("NDATA", b"\xff\xff\xff")
    assert field.state.unreadable == 1
    field.node("NDATA", data(5.0, 3))
    field.wait(5.0)
    assert field.temperature() == (190.0, STALE)


@given(st.lists(st.integers(0, 5), min_size=1, max_size=60), st.integers(0, 2**32))
def test_whatever_order_they_come_in_a_good_value_is_the_latest_sent(kinds: list[int], seed: int) -> None:
    """Messages are sent in order, then shuffled a little, some lost, some doubled."""
    shuffle = random.Random(seed)
    sent = [data(float(n), (n + 1) % 256) for n in range(len(kinds))]
    order = [n for n, kind in enumerate(kinds) if kind != 0]  # 0: lost
    order += [n for n, kind in enumerate(kinds) if kind == 1]  # 1: comes twice
    order.sort(key=lambda n: n + shuffle.uniform(0, 3))
    field = Field()
    field.node("NBIRTH", birth(metric("temperature", -1.0, alias=1)))
    reached = -1
    received: set[int] = set()
    for n in order:
        field.node("NDATA", sent[n])
        received.add(n)
        while reached + 1 in received:
            reached += 1
        assert field.temperature() == (float(reached), Status.GOOD)
    field.wait(5.0)
    whole = reached == max(received, default=-1)
    assert field.temperature() == (float(reached), Status.GOOD if whole else STALE)
