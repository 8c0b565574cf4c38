"""Sparkplug B payloads: bytes to metrics, by the published protobuf schema (Eclipse Sparkplug 3.0, ch. 6).

The message classes are made at import from the table below instead of from generated code: it holds what is
read here, and protobuf skips the rest. A value of a kind that is no number (data set, template, extension)
is kept as bytes, so that its presence shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

_Field = descriptor_pb2.FieldDescriptorProto
_SCHEMA: dict[str, list[tuple[int, str, int | str, bool]]] = {
    # Of each field: its number, its name, its type or message, whether it is repeated.
    "PropertyValue": [
        (1, "type", _Field.TYPE_UINT32, False), (2, "is_null", _Field.TYPE_BOOL, False),
        (3, "int_value", _Field.TYPE_UINT32, False), (4, "long_value", _Field.TYPE_UINT64, False),
    ],
    "PropertySet": [(1, "keys", _Field.TYPE_STRING, True), (2, "values", "PropertyValue", True)],
    "Metric": [
        (1, "name", _Field.TYPE_STRING, False), (2, "alias", _Field.TYPE_UINT64, False),
        (3, "timestamp", _Field.TYPE_UINT64, False), (4, "datatype", _Field.TYPE_UINT32, False),
        (5, "is_historical", _Field.TYPE_BOOL, False), (7, "is_null", _Field.TYPE_BOOL, False),
        (9, "properties", "PropertySet", False),
        (10, "int_value", _Field.TYPE_UINT32, False), (11, "long_value", _Field.TYPE_UINT64, False),
        (12, "float_value", _Field.TYPE_FLOAT, False), (13, "double_value", _Field.TYPE_DOUBLE, False),
        (14, "boolean_value", _Field.TYPE_BOOL, False), (15, "string_value", _Field.TYPE_STRING, False),
        (16, "bytes_value", _Field.TYPE_BYTES, False), (17, "dataset_value", _Field.TYPE_BYTES, False),
        (18, "template_value", _Field.TYPE_BYTES, False), (19, "extension_value", _Field.TYPE_BYTES, False),
    ],
    "Payload": [
        (1, "timestamp", _Field.TYPE_UINT64, False), (2, "metrics", "Metric", True),
        (3, "seq", _Field.TYPE_UINT64, False),
    ],
    "Head": [(3, "seq", _Field.TYPE_UINT64, False)],  # of a payload, for who wants nothing but its turn
}  # fmt: skip
_INTEGER_BITS = {1: (8, True), 2: (16, True), 3: (32, True), 4: (64, True)} | {
    5: (8, False), 6: (16, False), 7: (32, False), 8: (64, False), 13: (64, False),
}  # fmt: skip
_FLOATS = {9, 10}
_BOOLEAN = 11
_QUALITY = "Quality"
MAX_PAYLOAD = 1_048_576
"""Bytes beyond which a payload is not looked at."""


class SparkplugError(Exception):
    """A payload that cannot be read; the text says why."""


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric as a message carries it.

    ``value`` is a number, ``None`` when the metric is null, and missing when ``problem`` says why it cannot
    be read. ``time`` is POSIX seconds. ``quality`` is 0 bad, 192 good or 500 stale; sent when not good.
    """

    name: str | None
    alias: int | None
    time: float | None
    datatype: int | None
    value: float | None
    null: bool = False
    historical: bool = False
    quality: int = 192
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Payload:
    """One Sparkplug B message."""

    time: float | None
    seq: int | None
    metrics: tuple[Metric, ...]


def _message_classes() -> tuple[Any, Any]:
    file = descriptor_pb2.FileDescriptorProto(
        name="sparkplug_b_as_read_here.proto", package="sparkplug_b", syntax="proto2"
    )
    for message, fields in _SCHEMA.items():
        described = file.message_type.add(name=message)
        if message == "Metric":
            described.oneof_decl.add(name="value")
        for number, name, kind, repeated in fields:
            added = described.field.add(
                name=name, number=number, label=_Field.LABEL_REPEATED if repeated else _Field.LABEL_OPTIONAL
            )
            if message == "Metric" and name.endswith("_value"):
                added.oneof_index = 0
            if isinstance(kind, str):
                added.type = _Field.TYPE_MESSAGE
                added.type_name = f".sparkplug_b.{kind}"
            else:
                added.type = _Field.Type.ValueType(kind)
    pool = descriptor_pool.DescriptorPool()  # our own: the process may hold another copy of the schema
    pool.Add(file)
    payload, head = (pool.FindMessageTypeByName(f"sparkplug_b.{name}") for name in ("Payload", "Head"))
    return message_factory.GetMessageClass(payload), message_factory.GetMessageClass(head)


_Payload, _Head = _message_classes()


def decode(data: bytes, datatypes: Mapping[str | int, int] | None = None) -> Payload:
    """Read one payload.

    Parameters
    ----------
    data : bytes
        The MQTT payload.
    datatypes : Mapping or None
        Data types that the birth told, by metric name and by alias: later messages need not repeat them.

    Raises
    ------
    SparkplugError
        Not a Sparkplug B payload.
    """
    message = _parsed(_Payload, data)
    known = datatypes or {}
    return Payload(
        _seconds(message),
        message.seq if message.HasField("seq") else None,
        tuple(_metric(metric, known) for metric in message.metrics),
    )


def sequence_number(data: bytes) -> int | None:
    """Read only the sequence number of a payload; ``None`` if it has none.

    Raises
    ------
    SparkplugError
        Not a Sparkplug B payload.
    """
    head = _parsed(_Head, data)
    return int(head.seq) if head.HasField("seq") else None


def _parsed(kind: Any, data: bytes) -> Any:
    if len(data) > MAX_PAYLOAD:
        raise SparkplugError(f"payload of {len(data)} bytes is longer than {MAX_PAYLOAD}")
    message = kind()
    try:
        message.ParseFromString(data)
    except DecodeError:
        raise SparkplugError("payload is no Sparkplug B message") from None
    return message


def _metric(metric: Any, known: Mapping[str | int, int]) -> Metric:
    name = metric.name if metric.HasField("name") else None
    alias = metric.alias if metric.HasField("alias") else None
    datatype = metric.datatype if metric.HasField("datatype") else None
    if datatype is None:
        datatype = known.get(name) if name is not None else None
    if datatype is None and alias is not None:
        datatype = known.get(alias)
    value, problem = None, ""
    if not metric.is_null:
        try:
            value = _number(metric, datatype)
        except SparkplugError as error:
            problem = str(error)
    return Metric(
        name=name,
        alias=alias,
        time=_seconds(metric),
        datatype=datatype,
        value=value,
        null=metric.is_null,
        historical=metric.is_historical,
        quality=_quality(metric),
        problem=problem,
    )


def _number(metric: Any, datatype: int | None) -> float:
    """Return the number of a metric, with the sign that its data type gives it."""
    present = metric.WhichOneof("value")
    if present is None:
        raise SparkplugError("metric has no value")
    value = getattr(metric, present)
    if datatype in _INTEGER_BITS and present in {"int_value", "long_value"}:
        bits, signed = _INTEGER_BITS[datatype]
        value &= (1 << bits) - 1  # some encoders extend a small negative number to 32 or 64 bits
        return float(value - (1 << bits) if signed and value >> (bits - 1) else value)
    if datatype in _FLOATS and present in {"float_value", "double_value"}:
        return float(value)
    if datatype == _BOOLEAN and present == "boolean_value":
        return float(value)
    if datatype is None and present in {"float_value", "double_value", "boolean_value"}:
        return float(value)  # these say themselves what they are
    if datatype is None:
        raise SparkplugError(f"{present} without a data type: its sign is not known")
    raise SparkplugError(f"{present} with data type {datatype} is not a number")


def _quality(metric: Any) -> int:
    """Return the quality property; 192 (good) where there is none, 0 (bad) where it cannot be read."""
    if not metric.HasField("properties"):
        return 192
    for key, value in zip(metric.properties.keys, metric.properties.values, strict=False):
        if key == _QUALITY:
            return int(value.int_value if value.HasField("int_value") else value.long_value)
    return 192


def _seconds(message: Any) -> float | None:
    return message.timestamp / 1000.0 if message.HasField("timestamp") else None
