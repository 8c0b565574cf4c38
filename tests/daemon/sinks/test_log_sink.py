"""Alarms as log lines."""

from __future__ import annotations

from structlog.testing import capture_logs

from config.sinks import LogSink as LogSettings
from config.units import UnitContext, display_units
from daemon.model import AlarmState, Priority
from daemon.sinks.documents import Wording
from daemon.sinks.log import LogSink
from tests.support.journals import alarm, event


async def test_lines_have_stable_names_and_levels_by_priority() -> None:
    sink = LogSink(LogSettings(kind="log"), Wording("north", display_units("us", UnitContext()), {}))
    with capture_logs() as lines:
        await sink.deliver(
            [
                alarm(1, priority=Priority.HIGHEST),
                alarm(2, priority=Priority.LOW),
                alarm(3, priority=Priority.HIGH, state=AlarmState.NORMAL),
                event(4),
            ]
        )
    assert [(line["event"], line["log_level"], line["sequence"]) for line in lines] == [
        ("alarm", "critical", 1),
        ("alarm", "info", 2),
        ("alarm", "info", 3),
        ("event", "info", 4),
    ]
    assert lines[0]["transition"] == "condition true"
    assert lines[0]["value"] == {"value": 390.0, "unit": "°F"}
