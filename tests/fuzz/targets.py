"""Every decoder of bytes from outside, as a function of bytes that raises only when the decoder is wrong.

A decoder may refuse in its documented way. Anything else that escapes (another exception, a value that is
not finite and yet good) is a defect. The seeds are valid inputs, so that mutation gets past the first check.
"""

from __future__ import annotations

import json
import math
import struct
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from config.controllers import ModbusTcp
from config.errors import ConfigError
from config.loader import parse_site
from config.quantities import Quantity
from config.signal_table import read_signal_table
from config.signals import ModbusSignal
from config.toml_lines import key_lines
from config.units import UnitContext
from daemon.model import Quality, Reading
from daemon.sources.base import Scaling, scaling_of
from daemon.sources.modbus_codec import BlockDecoder
from daemon.sources.modbus_faults import ReadError
from daemon.sources.modbus_frames import ReadRequest, RtuFraming, TcpFraming, crc16, reply_data
from daemon.sources.modbus_plan import plan_signals
from daemon.sources.mqtt_payload import Arrival, Point
from daemon.sources.mqtt_payload import decode as decode_mqtt
from daemon.sources.sparkplug_payload import SparkplugError
from daemon.sources.sparkplug_payload import decode as decode_sparkplug
from tests.support.sparkplug import metric, payload

ROOT = Path(__file__).parents[2]
_REQUEST = ReadRequest(1, "holding", 0, 2)
_GOOD_PDU = bytes((3, 4)) + struct.pack(">f", 375.0)


@dataclass(frozen=True)
class Target:
    """A decoder and valid inputs for it."""

    run: Callable[[bytes], None]
    seeds: tuple[bytes, ...]


def _never_looks_good(readings: Iterable[Reading]) -> None:
    for reading in readings:
        if reading.status.quality is Quality.BAD:
            assert reading.value is None, reading
        else:
            assert reading.value is not None, reading
            assert math.isfinite(reading.value), reading


def _tcp(data: bytes) -> None:
    """A stream in two pieces gives the same frames as in one, and each frame a reply or a refusal."""
    whole, parts = TcpFraming(), TcpFraming()
    try:
        frames = whole.feed(data)
    except ReadError:
        return
    cut = len(data) // 2
    assert parts.feed(data[:cut]) + parts.feed(data[cut:]) == frames
    for frame in frames:
        _reply(frame.pdu)


def _reply(pdu: bytes) -> None:
    try:
        data = reply_data(_REQUEST, 1, pdu)
    except ReadError:
        return
    assert len(data) == 4


def _rtu(data: bytes) -> None:
    framing = RtuFraming()
    framing.encode(1, bytes((3, 0, 0, 0, 2)), identification=False)
    pdu = framing.feed(data, _REQUEST)
    assert framing.received <= 1024
    if pdu is not None:
        _reply(pdu)


_KINDS = ("int16", "uint32", "float32", "float64", "bcd16", "bcd32", "uint64")
_PLC = ModbusTcp(name="plc", protocol="modbus-tcp", host="127.0.0.1", addressing="zero-based")


def _block_decoder() -> BlockDecoder:
    signals, address = {}, 0
    for kind in _KINDS:
        signals["u", kind] = ModbusSignal.model_validate(
            {
                "controller": "plc",
                "table": "holding",
                "type": kind,
                "address": address,
                "quantity": Quantity.NUMBER,
            }
        )
        address += {"16": 1, "32": 2, "64": 4}[kind[-2:]]
    (read,) = plan_signals(_PLC, signals)
    scalings = {key: scaling_of(key[1], one, UnitContext()) for key, one in signals.items()}
    return BlockDecoder(read, _PLC, scalings)


_BLOCK = _block_decoder()
_BLOCK_SIZE = 2 * (1 + 2 + 2 + 4 + 1 + 2 + 4)


def _registers(data: bytes) -> None:
    block = (data + bytes(_BLOCK_SIZE))[:_BLOCK_SIZE]
    _never_looks_good(_BLOCK.decode(block, 5.0, 6.0)["u"].values())


_ARRIVAL = Arrival(1_700_000_000.0, 1000.0, 10.0, resumed=False)
_POINTS = (
    Point("u", "plain", Scaling(), "number"),
    Point("u", "state", Scaling(is_state=True), "number"),
    Point("u", "json", Scaling(), "json", path=("values", 0, "v"), time_path=("t",)),
    Point("u", "epoch", Scaling(), "json", path=("v",), time_path=("t",), time_format="epoch ms"),
    Point("u", "csv", Scaling(), "csv", path=(2,), time_path=(1,)),
)


def _mqtt(data: bytes) -> None:
    for one in decode_mqtt(data, _POINTS, _ARRIVAL):
        _never_looks_good([one.reading] if one.history is None else [one.reading, one.history])


def _sparkplug(data: bytes) -> None:
    try:
        found = decode_sparkplug(data, {"a": 10, 7: 4})
    except SparkplugError:
        return
    assert all(isinstance(one.value, float) or one.value is None for one in found.metrics)


def _toml_lines(data: bytes) -> None:
    """Whatever the standard library accepts has lines, each inside the text."""
    try:
        text = data.decode()
        tomllib.loads(text)
    except ValueError:
        return
    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in key_lines(text).values())


def _site(data: bytes) -> None:
    try:
        parse_site(data.decode("utf-8", errors="replace"), "fuzz.toml")
    except ConfigError as error:
        if not error.problems:
            raise AssertionError("refused without a reason") from error


def _signal_table(data: bytes) -> None:
    rows, problems = read_signal_table(data.decode("utf-8", errors="replace"), "fuzz.csv")
    assert all(row.line >= 1 for row in rows)
    assert all(problem.message for problem in problems)


_RTU_BODY = bytes((1,)) + _GOOD_PDU
_FIRST_SITE = (ROOT / "config" / "examples" / "first-site.toml").read_bytes()
TARGETS = {
    "modbus tcp frames": Target(_tcp, (struct.pack(">HHHB", 1, 0, 7, 1) + _GOOD_PDU,)),
    "modbus reply": Target(_reply, (_GOOD_PDU, bytes((0x83, 2)))),
    "modbus rtu frames": Target(_rtu, (_RTU_BODY + crc16(_RTU_BODY).to_bytes(2, "little"),)),
    "modbus registers": Target(
        _registers, (struct.pack(">hIfdHIQ", -5, 7, 1.5, 2.5, 0x1234, 0x12345678, 9), b"\x7f\xc0" * 16)
    ),
    "mqtt payload": Target(
        _mqtt,
        (
            b"375.2",
            b"on",
            json.dumps({"values": [{"v": 1.5}], "v": 2, "t": "2026-01-01T00:00:00Z"}).encode(),
            b'{"v": 1e400, "t": 1700000000000}',
            b"2026-01-01T00:00:00Z,4.5,x",
        ),
    ),
    "sparkplug payload": Target(
        _sparkplug,
        (
            payload(metric("a", 1.5, time=1.7e9), metric(alias=7, value=3, datatype=None), seq=3, time=1.7e9),
            payload(metric("a", None, null=True, quality=500)),
        ),
    ),
    "toml lines": Target(
        _toml_lines, (_FIRST_SITE[:3000], b'[a."b c"]\nx = """\n[y]\n"""\n[[z]]\nw = {q = 1}\n')
    ),
    "site file": Target(_site, ((ROOT / "tests" / "config" / "site_ok.toml").read_bytes(),)),
    "signal table": Target(
        _signal_table, ((ROOT / "config" / "examples" / "register-map.csv").read_bytes(),)
    ),
}
