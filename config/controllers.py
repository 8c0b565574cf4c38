"""Controllers and brokers: how the daemon reaches what it reads. There is nothing here that could write."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.base import Name, StrictModel
from config.fields import Duration

Port = Annotated[int, Field(ge=1, le=65535)]
DeviceId = Annotated[int, Field(ge=0, le=255)]


class Hole(StrictModel):
    """A range of addresses that must never be read: some devices answer it with an exception or a crash."""

    table: Literal["holding", "input", "coil", "discrete"]
    """Which of the four Modbus tables."""
    first: int
    """First address of the hole, in the controller's own addressing."""
    last: int
    """Last address of the hole, included."""


class ModbusBase(StrictModel):
    """What Modbus controllers have in common, whatever the wire."""

    name: Name
    """Name by which signals and alarms refer to this controller."""
    device_id: DeviceId = 1
    """Device id (unit id); a signal may name another one behind the same gateway."""
    addressing: Literal["zero-based", "one-based", "prefixed"]
    """How addresses are written in this file: as on the wire, one higher, or as 4xxxx / 3xxxx references."""
    scan_period: Duration = 1.0
    """Time between two reads of the same signal."""
    slow_scan_period: Duration = 30.0
    """Time between two reads of signals in the slow scan class."""
    timeout: Duration = 1.0
    """How long to wait for an answer."""
    reconnect_delay_max: Duration = 30.0
    """Longest pause between two attempts to connect; the first is half a second, then it doubles."""
    max_registers_per_request: Annotated[int, Field(ge=1, le=125)] = 120
    """Most registers in one read; the protocol allows 125, some devices fewer."""
    max_bits_per_request: Annotated[int, Field(ge=1, le=2000)] = 1968
    """Most coils or discrete inputs in one read."""
    max_gap: Annotated[int, Field(ge=0, le=124)] = 8
    """Unused addresses that may be read along to merge two reads into one."""
    holes: tuple[Hole, ...] = ()
    """Addresses that must never be read."""
    word_order: Literal["high word first", "low word first"] = "high word first"
    """Order of the registers of a 32- or 64-bit value, unless the signal says otherwise."""
    byte_order: Literal["high byte first", "low byte first"] = "high byte first"
    """Order of the bytes inside one register, unless the signal says otherwise."""
    pause_between_requests: Duration = 0.0
    """Rest that a slow device needs between two requests."""
    identify: bool = False
    """Ask once for the device identification (function 43/14) when connecting."""


class ModbusTcp(ModbusBase):
    """A controller that speaks Modbus TCP."""

    protocol: Literal["modbus-tcp"]
    host: str
    """Host name or address."""
    port: Port = 502
    """TCP port."""


class ModbusRtuOverTcp(ModbusBase):
    """A controller behind a serial server that passes RTU frames through a TCP connection."""

    protocol: Literal["modbus-rtu-over-tcp"]
    host: str
    """Host name or address."""
    port: Port
    """TCP port of the serial server."""


class ModbusSerial(ModbusBase):
    """A controller on a serial line of this box."""

    protocol: Literal["modbus-rtu"]
    device: str
    """Serial device, for example /dev/ttyUSB0."""
    baud_rate: Annotated[int, Field(ge=300, le=921600)] = 9600
    """Bits per second."""
    parity: Literal["none", "even", "odd"] = "even"
    """Parity; the protocol's default is even."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits; two where there is no parity."""


class Tls(StrictModel):
    """Encryption of a connection; the peer's certificate and name are always checked."""

    ca_file: str | None = None
    """Certificates to trust; the system's own where absent."""
    certificate_file: str | None = None
    """Client certificate, where the broker asks for one."""
    key_file: str | None = None
    """Key of the client certificate."""


class MqttBase(StrictModel):
    """What connections to an MQTT broker have in common."""

    name: Name
    """Name by which signals, sinks and alarms refer to this broker."""
    host: str
    """Host name or address of the broker."""
    port: Port = 1883
    """TCP port of the broker."""
    version: Literal["3.1.1", "5"] = "3.1.1"
    """MQTT version."""
    client_id: str | None = None
    """Client identifier, the same at every connection; made from the site and this name where absent."""
    credentials_file: str | None = None
    """File of two lines, user and password, readable by the daemon's user only."""
    tls: Tls | None = None
    """Encryption; absent means none."""
    keep_alive: Duration = 15.0
    """Longest silence before the connection is probed."""
    reconnect_delay_max: Duration = 30.0
    """Longest pause between two attempts to connect."""
    queue_limit: Annotated[int, Field(ge=10, le=1_000_000)] = 10_000
    """Messages held while the daemon is busy; beyond it the oldest are dropped and counted."""


class MqttBroker(MqttBase):
    """A broker on which field devices publish plain values or JSON."""

    protocol: Literal["mqtt"]
    persistent_session: bool = True
    """Let the broker keep messages while the daemon is away."""
    expected_period: Duration = 10.0
    """Time between two messages of a signal, from which its age is judged; a signal may have its own."""
    max_retained_age: Duration = 300.0
    """A retained message older than this, or without a time of its own, is not taken as live."""


class SparkplugBroker(MqttBase):
    """A broker with Sparkplug B edge nodes."""

    protocol: Literal["sparkplug-b"]
    group_id: str
    """Sparkplug group."""
    reorder_timeout: Duration = 5.0
    """How long a missing sequence number is waited for before the node's values are called stale."""
    expected_period: Duration = 60.0
    """Longest time between two messages of a node before its values are called old."""


Controller = Annotated[
    ModbusTcp | ModbusRtuOverTcp | ModbusSerial | MqttBroker | SparkplugBroker,
    Field(discriminator="protocol"),
]
