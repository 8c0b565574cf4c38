"""What decoding costs, against reading the same bytes with the bare library."""

from __future__ import annotations

import json
import time
from collections.abc import Callable

import pytest

from daemon.sources.base import Scaling
from daemon.sources.mqtt_payload import Arrival, Point, decode
from daemon.sources.sparkplug_payload import _Payload
from daemon.sources.sparkplug_state import SparkplugState
from tests.support.sparkplug import birth, metric, payload

pytestmark = pytest.mark.bench


def cost(call: Callable[[], object], times: int = 5000) -> float:
    """Microseconds a call, the best of five rounds."""
    best = float("inf")
    for _ in range(5):
        began = time.perf_counter()
        for _ in range(times):
            call()
        best = min(best, (time.perf_counter() - began) / times * 1e6)
    return best


def test_decoding_json() -> None:
    """One message with twenty signals and a time stamp, as a controller sends a scan."""
    names = [f"signal_{n}" for n in range(20)]
    data = json.dumps({"t": 1_700_000_000.0, "values": dict.fromkeys(names, 12.5)}).encode()
    points = [
        Point("u", name, Scaling(), "json", ("values", name), ("t",), time_format="epoch s") for name in names
    ]
    arrival = Arrival(1_700_000_001.0, 100.0, 0.0, resumed=True)
    ours, bare = cost(lambda: decode(data, points, arrival), 1000), cost(lambda: json.loads(data), 1000)
    print(
        f"\nJSON, 20 signals: {ours:.0f} us a message, {ours / 20:.1f} a signal; parsing alone {bare:.0f} us"
    )
    assert ours < 60 * bare


def test_decoding_sparkplug() -> None:
    """One data message with twenty metrics by alias, through the whole state machine."""
    names = [f"metric_{n}" for n in range(20)]
    keys = [("edge", None, name) for name in names]
    state = SparkplugState("field", keys, 5.0)
    born = birth(*(metric(name, 1.0, alias=n + 1) for n, name in enumerate(names)))
    state.receive("spBv1.0/field/NBIRTH/edge", born, 0.0, 0.0)
    messages = [
        payload(*(metric(alias=n + 1, value=2.0, datatype=None) for n in range(20)), seq=seq)
        for seq in range(256)
    ]
    sent = iter(range(1, 10**9))

    def ours() -> None:
        state.receive("spBv1.0/field/NDATA/edge", messages[next(sent) % 256], 0.0, 0.0)

    def protobuf_alone() -> list[tuple[int, float, int]]:
        message = _Payload()
        message.ParseFromString(messages[1])
        return [(each.alias, each.double_value, each.timestamp) for each in message.metrics]

    taken, bare = cost(ours, 500), cost(protobuf_alone, 500)
    print(f"\nSparkplug, 20 metrics: {taken:.0f} us a message, {taken / 20:.1f} a metric; bare {bare:.0f} us")
    assert state.deadline() is None, "every message was taken in its turn"
    assert taken < 60 * bare
