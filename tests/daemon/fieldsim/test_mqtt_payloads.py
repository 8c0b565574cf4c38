from __future__ import annotations

import json
from typing import Any

import pytest

from config.signals import MqttSignal
from config.units import UnitContext
from daemon.fieldsim.mqtt_publisher import compose, lay_points
from daemon.fieldsim.registers import LayoutError

TIME = 1_700_000_000.25  # 2023-11-14T22:13:20.250Z
SHOWN = {
    "u": {"reboiler_temperature": 472.0389, "burner_on": 1.0, "stroke_count": 65_537.0, "surge_level": None}
}


def published(**signals: dict[str, Any]) -> dict[str, str]:
    points = lay_points(
        [("u", n, MqttSignal(controller="b", **s)) for n, s in signals.items()], UnitContext()
    )
    return {topic: payload.decode() for topic, payload in compose(points, SHOWN, TIME)}


def test_signals_of_a_topic_share_one_json_message_with_its_time() -> None:
    common = {"topic": "field/u", "payload": "json", "time_path": "time"}
    messages = published(
        reboiler_temperature={**common, "path": "values.reboiler", "unit": "degF"},
        burner_on={**common, "path": "states[1]"},
        surge_level={**common, "path": "values.surge", "unit": "%"},
    )
    assert {topic: json.loads(text) for topic, text in messages.items()} == {
        "field/u": {
            "time": "2023-11-14T22:13:20.250Z",
            "values": {"reboiler": pytest.approx(390.0, abs=1e-4), "surge": None},
            "states": [None, 1],
        }
    }


@pytest.mark.parametrize(
    ("format_", "stamp"), [("epoch s", 1_700_000_000.25), ("epoch ms", 1_700_000_000_250)]
)
def test_time_stamps_are_written_as_the_site_file_says(format_: str, stamp: object) -> None:
    signal = {
        "topic": "t",
        "payload": "json",
        "path": "points[0].v",
        "time_path": "at",
        "time_format": format_,
    }
    document = json.loads(published(stroke_count={**signal, "counter_bits": 16})["t"])
    assert document == {"points": [{"v": 1}], "at": stamp}


def test_plain_numbers_and_columns() -> None:
    messages = published(
        stroke_count={"topic": "strokes"},
        burner_on={"topic": "burner", "inverted": True},
        surge_level={"topic": "surge", "unit": "%"},
        reboiler_temperature={"topic": "row", "payload": "csv", "path": "2", "unit": "K", "time_path": "0"},
    )
    assert messages == {
        "strokes": "65537",
        "burner": "0",
        "surge": "nan",
        "row": "2023-11-14T22:13:20.250Z,,472.0389",
    }


def test_a_topic_with_a_wildcard_cannot_be_played() -> None:
    signal = MqttSignal(controller="b", topic="field/+/x", unit="K")
    with pytest.raises(LayoutError, match="without wildcard"):
        lay_points([("u", "reboiler_temperature", signal)], UnitContext())


def test_two_signals_that_want_one_place_to_be_two_things_are_refused() -> None:
    common = {"topic": "t", "payload": "json"}
    with pytest.raises(LayoutError, match="disagree"):
        published(burner_on={**common, "path": "a"}, stroke_count={**common, "path": "a.b"})
