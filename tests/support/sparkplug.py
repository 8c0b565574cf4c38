"""Sparkplug B messages written by hand from the published schema's field numbers, without protobuf.

Wire format: each field is a tag (number * 8 + wire type) and a value; wire types 0 varint, 1 eight bytes,
2 length and bytes, 5 four bytes (Protocol Buffers encoding specification).
"""

from __future__ import annotations

import struct
from typing import Any


def varint(value: int) -> bytes:
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def number(field: int, value: int) -> bytes:
    return varint(field << 3) + varint(value)


def chunk(field: int, data: bytes) -> bytes:
    return varint(field << 3 | 2) + varint(len(data)) + data


def metric(
    name: str | None = None,
    value: float | None = None,
    *,
    alias: int | None = None,
    time: float | None = None,
    datatype: int | None = 10,
    historical: bool = False,
    null: bool = False,
    quality: int | None = None,
) -> bytes:
    """A metric whose value is a double (data type 10), or a whole number of data type 4 or 8."""
    out = b"" if name is None else chunk(1, name.encode())
    out += b"" if alias is None else number(2, alias)
    out += b"" if time is None else number(3, round(time * 1000))
    out += b"" if datatype is None else number(4, datatype)
    out += number(5, 1) if historical else b""
    out += number(7, 1) if null else b""
    if quality is not None:
        out += chunk(9, chunk(1, b"Quality") + chunk(2, number(1, 3) + number(3, quality)))
    if value is not None:
        out += (
            number(11, int(value)) if datatype in {4, 8} else varint(13 << 3 | 1) + struct.pack("<d", value)
        )
    return out


def payload(*metrics: bytes, seq: int | None = None, time: float | None = None) -> bytes:
    out = b"" if time is None else number(1, round(time * 1000))
    out += b"".join(chunk(2, each) for each in metrics)
    return out + (b"" if seq is None else number(3, seq))


def birth(*metrics: bytes, bd_seq: int = 0, seq: int = 0, time: float | None = None) -> bytes:
    return payload(metric("bdSeq", bd_seq, datatype=8), *metrics, seq=seq, time=time)


def death(bd_seq: int) -> bytes:
    return payload(metric("bdSeq", bd_seq, datatype=8))


def data(value: float, seq: int, alias: int = 1, **more: Any) -> bytes:
    """One value of a node or device, by alias, as data."""
    return payload(metric(alias=alias, value=value, datatype=None, **more), seq=seq)
