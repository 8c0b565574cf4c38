"""Sinks: where alarms and values are sent on from the journal. None of them can reach a controller."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from config.base import Name, StrictModel
from config.controllers import MqttBase
from config.topics import check_prefix

PrioritySetting = Literal["low", "medium", "high", "highest"]


class MqttSink(MqttBase):
    """Alarms and values on an MQTT broker, below the daemon's own prefix only.

    Retained: ``<prefix>/<site>/<unit>/alarm/<alarm>`` holds an alarm's present state. Not retained:
    ``<prefix>/<site>/event`` streams every transition and event, ``<prefix>/<site>/heartbeat`` comes every
    ten seconds. Retained: ``<prefix>/<site>/status`` is ``online`` or, by the broker's own hand (MQTT
    will), ``offline``.
    """

    kind: Literal["mqtt"]
    prefix: Annotated[str, AfterValidator(check_prefix)] = "tegwatch"
    """First part of every topic; a prefix that could be a command topic is refused."""
    minimum_priority: PrioritySetting = "low"
    """Alarms below it are not sent."""
    values: bool = False
    """Also publish each unit's values at every scan, on ``<prefix>/<site>/<unit>/values``."""


class LogSink(StrictModel):
    """Alarms as structured log lines on standard output."""

    kind: Literal["log"]
    name: Name = "log"
    """Name of this sink's cursor."""
    minimum_priority: PrioritySetting = "low"
    """Alarms below it are not logged."""


Sink = Annotated[MqttSink | LogSink, Field(discriminator="kind")]
