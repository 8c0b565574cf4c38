"""What the MQTT sink publishes where, and how it meets a broker that goes away."""

from __future__ import annotations

import json
from collections.abc import Sequence
from types import TracebackType
from typing import Self

import pytest

from config.sinks import MqttSink as MqttSettings
from config.topics import check_prefix, may_publish
from config.units import UnitContext, display_units
from daemon.model import AlarmState
from daemon.mqtt_link import ForbiddenTopicError, LinkError, Publication, Publisher
from daemon.sinks.base import DeliveryFailed
from daemon.sinks.documents import Wording
from daemon.sinks.mqtt import MqttSink
from tests.support.clocks import FakeClock
from tests.support.journals import alarm, event, scan

WORDING = Wording("north", display_units("us", UnitContext()), {})


class Broker:
    """Connections that record, refuse or break as the test says."""

    def __init__(self) -> None:
        self.sent: list[Publication] = []
        self.wills: list[Publication] = []
        self.left = 0
        self.refuses = False
        self.breaks = False

    def connect(self, will: Publication) -> Line:
        self.wills.append(will)
        return Line(self)

    def topics(self) -> list[str]:
        return [publication.topic for publication in self.sent]


class Line:
    def __init__(self, broker: Broker) -> None:
        self.broker = broker
        self.lost = False

    async def __aenter__(self) -> Self:
        if self.broker.refuses:
            raise LinkError("cannot connect")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.broker.left += 1

    async def publish(self, publications: Sequence[Publication]) -> None:
        if self.broker.breaks:
            self.lost = True
            raise LinkError("connection lost")
        self.broker.sent.extend(publications)


def sink_on(broker: Broker, **settings: object) -> MqttSink:
    keys = {"kind": "mqtt", "name": "control-room", "host": "broker.invalid", **settings}
    return MqttSink(MqttSettings.model_validate(keys), WORDING, FakeClock(), broker.connect)


async def test_an_alarm_is_retained_on_its_own_topic_and_streamed() -> None:
    broker = Broker()
    await sink_on(broker).deliver([alarm(1), event(2)])
    assert [(sent.topic, sent.retain) for sent in broker.sent] == [
        ("tegwatch/north/status", True),
        ("tegwatch/north/unit-1/alarm/reboiler_high", True),
        ("tegwatch/north/event", False),
        ("tegwatch/north/event", False),
    ]
    assert broker.wills == [Publication("tegwatch/north/status", b"offline", retain=True)]
    assert broker.sent[0].payload == b"online"
    document = json.loads(broker.sent[1].payload)
    assert (document["id"], document["sequence"]) == ("north-1-1700000001000", 1)
    assert document["time"] == "2023-11-14T22:13:21.000Z"


async def test_values_go_out_only_where_asked_for() -> None:
    broker = Broker()
    await sink_on(broker, values=True).deliver([scan(1)])
    assert broker.topics()[-1] == "tegwatch/north/unit-1/values"
    assert [sorted(sink_on(broker, values=on).selection.kinds) for on in (False, True)] == [
        ["alarm", "event"],
        ["alarm", "event", "scan"],
    ]


async def test_a_lost_broker_is_a_failed_delivery_and_a_new_connection_next_time() -> None:
    broker = Broker()
    sink = sink_on(broker)
    await sink.deliver([alarm(1)])
    broker.breaks = True
    with pytest.raises(DeliveryFailed, match="connection lost"):
        await sink.deliver([alarm(2, name="pump_stopped")])
    assert broker.left == 1
    broker.breaks = False
    broker.sent.clear()
    await sink.deliver([alarm(2, name="pump_stopped")])
    assert len(broker.wills) == 2
    # A broker may have been started anew without its store: what it retained for us is said again first.
    assert broker.topics() == [
        "tegwatch/north/status",
        "tegwatch/north/unit-1/alarm/reboiler_high",
        "tegwatch/north/unit-1/alarm/pump_stopped",
        "tegwatch/north/event",
    ]


async def test_only_the_latest_state_of_an_alarm_is_said_again() -> None:
    broker = Broker()
    sink = sink_on(broker)
    await sink.deliver([alarm(1), alarm(2, state=AlarmState.ACKNOWLEDGED)])
    assert sink._connection is not None
    sink._connection.lost = True  # type: ignore[misc]
    broker.sent.clear()
    await sink.beat()
    assert broker.topics() == [
        "tegwatch/north/status",
        "tegwatch/north/unit-1/alarm/reboiler_high",
        "tegwatch/north/heartbeat",
    ]
    assert json.loads(broker.sent[1].payload)["state"] == "ACKED"


async def test_heartbeats_count_and_fail_loudly() -> None:
    broker = Broker()
    sink = sink_on(broker)
    await sink.beat()
    await sink.beat()
    beats = [json.loads(sent.payload) for sent in broker.sent if sent.topic == "tegwatch/north/heartbeat"]
    assert [beat["sequence"] for beat in beats] == [1, 2]
    broker.breaks = True
    with pytest.raises(DeliveryFailed):
        await sink.beat()
    broker.refuses = True
    with pytest.raises(DeliveryFailed, match="cannot connect"):
        await sink.beat()


async def test_closing_says_offline_itself() -> None:
    broker = Broker()
    sink = sink_on(broker)
    await sink.beat()
    await sink.close()
    await sink.close()
    assert broker.sent[-1] == Publication("tegwatch/north/status", b"offline", retain=True)
    assert broker.left == 1


@pytest.mark.parametrize(
    ("prefix", "message"),
    [
        ("", "empty level"),
        ("/tegwatch", "empty level"),
        ("tegwatch/", "empty level"),
        ("tegwatch/+", "wildcard"),
        ("#", "wildcard"),
        ("$SYS/tegwatch", "belongs to the broker"),
        ("spBv1.0/gas/NCMD/edge", "Sparkplug"),
        ("SPBV1.0", "Sparkplug"),
        ("plant/NCMD", 'level "NCMD"'),
        ("plant/dcmd/x", 'level "dcmd"'),
        ("pump/set", 'level "set"'),
        ("controller/command", 'level "command"'),
        ("plant/STATE", 'level "STATE"'),
    ],
)
def test_prefixes_that_could_be_commands_are_refused(prefix: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        check_prefix(prefix)
    with pytest.raises(ValueError, match=message):
        sink_on(Broker(), prefix=prefix)


@pytest.mark.parametrize(
    "topic",
    ["other/a", "tegwatch", "tegwatchful/a", "tegwatch//a", "tegwatch/+", "tegwatch/a#", "/tegwatch/a"],
)
async def test_the_publisher_refuses_what_is_not_below_its_prefix(topic: str) -> None:
    assert not may_publish(topic, "tegwatch")
    settings = MqttSettings.model_validate({"kind": "mqtt", "name": "x", "host": "127.0.0.1"})
    publisher = Publisher(settings, "id", "tegwatch")
    with pytest.raises(ForbiddenTopicError, match="publishes nowhere else"):
        await publisher.publish([Publication("tegwatch/ok", b""), Publication(topic, b"")])
    with pytest.raises(ForbiddenTopicError):
        Publisher(settings, "id", "tegwatch", Publication(topic, b""))
    with pytest.raises(ValueError, match="level"):
        Publisher(settings, "id", "plant/cmd")
