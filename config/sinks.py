"""Sinks: where alarms and values are sent on from the journal. None of them can reach a controller."""

from __future__ import annotations

import ipaddress
import itertools
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from config.alarms import AlarmClass, PriorityName
from config.base import Name, StrictModel
from config.controllers import MqttBase, Port, Tls
from config.fields import Duration
from config.topics import check_prefix


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
    minimum_priority: PriorityName = "low"
    """Alarms below it are not sent."""
    classes: tuple[AlarmClass, ...] = ()
    """Alarm classes that are sent (safety, contract, equipment, instrument, system); empty means all."""
    units: tuple[Name, ...] = ()
    """Dehydration units whose alarms are sent, "daemon" for this program's own; empty means all."""
    values: bool = False
    """Also publish each unit's values at every scan, on ``<prefix>/<site>/<unit>/values``."""


class SinkBase(StrictModel):
    """What sinks other than MQTT have in common."""

    name: Name
    """Name of this sink and of its place in the journal."""
    minimum_priority: PriorityName = "low"
    """Alarms below it are not sent."""
    classes: tuple[AlarmClass, ...] = ()
    """Alarm classes that are sent (safety, contract, equipment, instrument, system); empty means all."""
    units: tuple[Name, ...] = ()
    """Dehydration units whose alarms are sent, "daemon" for this program's own; empty means all."""


class LogSink(SinkBase):
    """Alarms as structured log lines, among the daemon's own on standard error."""

    kind: Literal["log"]
    name: Name = "log"
    """Name of this sink and of its place in the journal."""


class WebhookSink(SinkBase):
    """Alarms as CloudEvents 1.0 by HTTP POST, one event a request, in order. Redirects are never followed."""

    kind: Literal["webhook"]
    url: Annotated[str, Field(pattern=r"^https?://[^\s/@?#]+(/[^\s#]*)?$")]
    """Where to post; without user or password, which would end up in logs."""
    secret_file: str | None = None
    """File with the key of the HMAC-SHA256 signature of every body, readable by the daemon's user only."""
    token_file: str | None = None
    """File with a bearer token for the receiver, readable by the daemon's user only."""
    ca_file: str | None = None
    """Certificates to trust; the system's own where absent."""
    timeout: Duration = 10.0
    """How long to wait for an answer."""


class MailSink(SinkBase):
    """Alarms by e-mail; in a flood many of them in one message. Mail may come late: never the only way."""

    kind: Literal["mail"]
    host: str
    """Mail server."""
    port: Port = 465
    """Its port."""
    security: Literal["tls", "starttls", "none"] = "tls"
    """Encryption from the start, after greeting, or none (only for a relay on this box)."""
    ca_file: str | None = None
    """Certificates to trust; the system's own where absent."""
    credentials_file: str | None = None
    """File of two lines, user and password, readable by the daemon's user only."""
    sender: Annotated[str, Field(pattern=r"^[^\s<>@]+@[^\s<>@]+$")]
    """Address that the mail comes from."""
    recipients: Annotated[
        tuple[Annotated[str, Field(pattern=r"^[^\s<>@]+@[^\s<>@]+$")], ...], Field(min_length=1)
    ]
    """Addresses that it goes to."""
    timeout: Duration = 20.0
    """How long to wait for the server."""


class SyslogSink(SinkBase):
    """Alarms as RFC 5424 messages, facility local0.

    The protocol has no acknowledgement: what is under way when a connection breaks can be lost. Use it beside
    another sink.
    """

    kind: Literal["syslog"]
    host: str
    """Receiver."""
    transport: Literal["tls", "tcp", "udp"] = "tls"
    """RFC 5425, RFC 6587 with octet counting, or RFC 5426."""
    port: Port | None = None
    """Default: 6514 with TLS, else 514."""
    tls: Tls | None = None
    """Certificates; only with TLS."""
    timeout: Duration = 10.0
    """How long to wait for the connection."""

    @model_validator(mode="after")
    def _tls_fits(self) -> SyslogSink:
        if self.tls is not None and self.transport != "tls":
            raise ValueError('"tls" needs transport = "tls"')
        return self


class InfluxSink(SinkBase):
    """Values, alarms and events into a time-series database by the InfluxDB 2 write API.

    What the database cannot take now waits in the journal; delivering twice changes nothing. A point that it
    will never take is set apart in a file beside the journal, with an event.
    """

    kind: Literal["influx"]
    url: Annotated[str, Field(pattern=r"^https?://[^\s/@?#]+(/[^\s?#]*)?$")]
    """Address of the server; without user, password or query."""
    org: str
    """Organization, by name or id."""
    bucket: str
    """Bucket; make it beforehand, with the retention that you want."""
    token_file: str | None = None
    """File with the API token (write permission for the bucket), readable by the daemon's user only."""
    read_token_file: str | None = None
    """File with another token (read permission) for ``tegwatch history --from-influx``; default: the same."""
    ca_file: str | None = None
    """Certificates to trust; the system's own where absent."""
    measurement_prefix: Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,39}$")] = "tegwatch"
    """First part of every measurement: "tegwatch" gives tegwatch_signal, tegwatch_result and so on."""
    values_in: Literal["site", "si"] = "site"
    """Write values in the site's units, with the unit as a tag, or in SI without one."""
    batch_lines: Annotated[int, Field(ge=1, le=50_000)] = 5000
    """Points a request at most."""
    timeout: Duration = 20.0
    """How long to wait for an answer."""


class ShownValue(StrictModel):
    """One value in the read-only Modbus server; exactly one of ``result`` and ``signal``."""

    address: Annotated[int, Field(ge=5, le=65533)]
    """First of its three registers, counted from 0: two for the number, one for its quality."""
    unit: Name
    """Dehydration unit."""
    result: str | None = None
    """Name of a result."""
    signal: str | None = None
    """Name of a signal."""

    @model_validator(mode="after")
    def _one_source(self) -> ShownValue:
        if (self.result is None) == (self.signal is None):
            raise ValueError('give exactly one of "result" and "signal"')
        return self


class ShownAlarm(StrictModel):
    """One alarm in the read-only Modbus server."""

    address: Annotated[int, Field(ge=0, le=65532)]
    """First of its four discrete inputs, counted from 0: active, unacknowledged, suppressed, reserved."""
    unit: Name
    """Dehydration unit."""
    alarm: str
    """Name of the alarm."""


class ModbusServerSink(StrictModel):
    """Results and alarms on a Modbus TCP server for an existing control system to read; nobody can write.

    Addresses are given here one by one, so that a later addition moves none of them.
    """

    kind: Literal["modbus-server"]
    name: Name
    """Name of this sink and of its place in the journal."""
    listen: str = "127.0.0.1"
    """Address to listen on; the box's own only unless told otherwise."""
    port: Annotated[int, Field(ge=0, le=65535)] = 502
    """TCP port; 0 takes any free one."""
    device_id: Annotated[int, Field(ge=0, le=255)] = 1
    """Device id that it answers to; others get no answer."""
    clients: tuple[str, ...] = ("127.0.0.1/32",)
    """Networks that may connect, for example "10.1.2.0/24"."""
    max_connections: Annotated[int, Field(ge=1, le=64)] = 8
    """Connections at a time."""
    stale_after: Duration = 10.0
    """Age of the last scan beyond which its values are stale."""
    values: tuple[ShownValue, ...] = ()
    """Values to show."""
    alarms: tuple[ShownAlarm, ...] = ()
    """Alarms to show."""

    @model_validator(mode="after")
    def _layout(self) -> ModbusServerSink:
        for network in self.clients:
            try:
                ipaddress.ip_network(network)
            except ValueError as error:
                raise ValueError(f'clients: "{network}" is no network ({error})') from None
        for places, width, what in (
            ([value.address for value in self.values], 3, "register"),
            ([alarm.address for alarm in self.alarms], 4, "input"),
        ):
            ordered = sorted(places)
            for first, second in itertools.pairwise(ordered):
                if second - first < width:
                    raise ValueError(f"{what} {second} overlaps {what} {first}: each needs {width}")
        return self


Sink = Annotated[
    MqttSink | LogSink | WebhookSink | MailSink | SyslogSink | InfluxSink | ModbusServerSink,
    Field(discriminator="kind"),
]
