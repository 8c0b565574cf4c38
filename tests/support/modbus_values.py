"""Values as registers, written from the protocol's words and independent of the decoder under test."""

from __future__ import annotations

import struct


def registers_of(
    kind: str, value: float | str, word_order: str = "high word first", byte_order: str = "high byte first"
) -> list[int]:
    """Return the registers in which a device with the given orders would hold a value."""
    if isinstance(value, str):
        data = value.encode("ascii")
        data += b"\0" * (len(data) % 2)
    elif kind in {"float32", "float64"}:
        data = struct.pack(">f" if kind == "float32" else ">d", value)
    elif kind in {"bcd16", "bcd32"}:
        digits = str(int(value)).rjust(4 if kind == "bcd16" else 8, "0")
        data = bytes(int(high) * 16 + int(low) for high, low in zip(digits[::2], digits[1::2], strict=True))
    else:
        bits = int(kind.removeprefix("u").removeprefix("int"))
        data = int(value).to_bytes(bits // 8, "big", signed=not kind.startswith("u"))
    words = [data[index : index + 2] for index in range(0, len(data), 2)]
    if word_order == "low word first" and kind != "ascii":
        words.reverse()
    if byte_order == "low byte first":
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]
