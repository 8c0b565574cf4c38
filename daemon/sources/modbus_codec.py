"""Registers and bits as values: the answer to one planned read becomes readings.

Pure. What a read's answer means never changes while the daemon runs, so it is worked out once: one byte
permutation brings all values of the block into high-byte-first order, one ``struct`` call unpacks them, and
one multiplication and addition makes each of them SI. That is what keeps a scan cheap.
"""

from __future__ import annotations

import math
import operator
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, cast

from config.controllers import ModbusBase
from config.signals import ModbusSignal
from daemon.model import Reading, Status
from daemon.sources.base import Scaling, measured
from daemon.sources.modbus_plan import PlannedRead, Point

WordOrder = Literal["high word first", "low word first"]
ByteOrder = Literal["high byte first", "low byte first"]
Raw = float | str
"""What the registers hold, before scale and offset; text for ``ascii``."""

ORDERS: tuple[tuple[WordOrder, ByteOrder], ...] = (
    ("high word first", "high byte first"),
    ("low word first", "high byte first"),
    ("high word first", "low byte first"),
    ("low word first", "low byte first"),
)
"""All four orders of the bytes of a 32-bit value: ABCD, CDAB, BADC, DCBA."""

_FORMAT = {
    "bool": "H",
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
    "bcd16": "H",
    "bcd32": "I",
}


class NoValueError(ValueError):
    """Registers that hold no value of the signal's type; the message says what they hold."""


def byte_positions(count: int, word_order: WordOrder, byte_order: ByteOrder) -> list[int]:
    """Return where each byte of a value stands in its registers, most significant byte first.

    Parameters
    ----------
    count : int
        Number of registers.
    word_order, byte_order : str
        How the device orders registers and the bytes in each.

    Examples
    --------
    >>> byte_positions(2, "low word first", "high byte first")
    [2, 3, 0, 1]
    """
    words = range(count) if word_order == "high word first" else range(count - 1, -1, -1)
    in_word = (0, 1) if byte_order == "high byte first" else (1, 0)
    return [2 * word + byte for word in words for byte in in_word]


def _positions(signal: ModbusSignal, count: int, word_order: WordOrder, byte_order: ByteOrder) -> list[int]:
    """Return the byte positions of one signal; the registers of a text are never reordered."""
    return byte_positions(count, "high word first" if signal.type == "ascii" else word_order, byte_order)


def decode(signal: ModbusSignal, registers: bytes, word_order: WordOrder, byte_order: ByteOrder) -> Raw:
    """Decode the registers of one signal, two bytes each as they came.

    Raises
    ------
    NoValueError
        One of the signal's bad values, digits that are not BCD, or text that is not ASCII.
    """
    order = _positions(signal, len(registers) // 2, word_order, byte_order)
    ordered = bytes(registers[position] for position in order)
    form = f"{len(ordered)}s" if signal.type == "ascii" else _FORMAT[signal.type]
    (field,) = struct.unpack(f">{form}", ordered)
    finish = _finisher(signal)
    return field if finish is None else finish(field)


def _finisher(signal: ModbusSignal) -> Callable[[object], Raw] | None:
    """Return what remains to be done after unpacking; ``None`` for a plain number."""
    form = _FORMAT.get(signal.type, "")
    bits = 8 * struct.calcsize(">" + form)
    bad_patterns = frozenset(value % (1 << bits) for value in signal.bad_values)

    def finish(field: object) -> Raw:
        if isinstance(field, bytes):
            return _text(field)
        if bad_patterns:
            pattern = int.from_bytes(struct.pack(">" + form, field), "big")
            if pattern in bad_patterns:
                raise NoValueError(f"the device says that it has no value (0x{pattern:0{bits // 4}X})")
        if signal.bit is not None and isinstance(field, int):
            return field >> signal.bit & 1
        if signal.type in {"bcd16", "bcd32"}:
            digits = f"{field:0{bits // 4}X}"
            if not digits.isdecimal():
                raise NoValueError(f"0x{digits} is not a number in BCD")
            return int(digits)
        assert isinstance(field, int | float)  # noqa: S101 - what struct gives for all other formats
        return field

    needs_work = bad_patterns or signal.bit is not None or signal.type in {"bcd16", "bcd32", "ascii"}
    return finish if needs_work else None


def _text(field: bytes) -> str:
    try:
        return field.split(b"\0", 1)[0].decode("ascii").strip()
    except UnicodeDecodeError:
        raise NoValueError(f"{field.hex(' ')} is not ASCII text") from None


def number(raw: Raw) -> float:
    """Return a raw value as a number; a text must spell one.

    Raises
    ------
    NoValueError
        A text that is no number.
    """
    if isinstance(raw, str):
        try:
            return float(raw.replace("_", "no digit"))  # Python would read 1_000 as a number
        except ValueError:
            raise NoValueError(f'the device sent the text "{raw}", which is no number') from None
    return raw


@dataclass(frozen=True, slots=True)
class _Field:
    """One signal of a block."""

    unit: str
    signal: str
    scaling: Scaling
    finish: Callable[[object], Raw] | None


class BlockDecoder:
    """Turns the answer to one planned read into readings by unit and signal.

    Parameters
    ----------
    read : PlannedRead
        What was asked.
    controller : ModbusBase
        For its word and byte order.
    scalings : mapping of (unit, signal) to Scaling
        How each signal's raw value becomes SI.
    """

    def __init__(
        self, read: PlannedRead, controller: ModbusBase, scalings: Mapping[tuple[str, str], Scaling]
    ) -> None:
        self._is_bits = read.request.table in {"coil", "discrete"}
        self._bits = tuple(divmod(point.address - read.request.address, 8) for point in read.points)
        positions: list[int] = []
        form = ">"
        if not self._is_bits:
            for point in read.points:
                start = 2 * (point.address - read.request.address)
                signal = point.config
                word_order = signal.word_order or controller.word_order
                byte_order = signal.byte_order or controller.byte_order
                order = _positions(signal, point.count, word_order, byte_order)
                positions += [start + position for position in order]
                form += f"{2 * point.count}s" if signal.type == "ascii" else _FORMAT[signal.type]
        is_plain = positions == list(range(2 * read.request.count))
        self._reorder = None if is_plain or self._is_bits else operator.itemgetter(*positions)
        self._struct = struct.Struct(form)
        fields = [_field(point, scalings, is_bit=self._is_bits) for point in read.points]
        self._units = tuple(dict.fromkeys(field.unit for field in fields))
        self._only_unit = self._units[0] if len(self._units) == 1 else None
        self._plain = all(field.finish is None and not field.scaling.is_state for field in fields)
        self._fields = tuple(fields)
        self._signals = tuple(field.signal for field in fields)
        self._scales = tuple((field.scaling.factor, field.scaling.offset) for field in fields)

    def decode(self, data: bytes, time: float, received: float) -> dict[str, dict[str, Reading]]:
        """Decode the data of one answer.

        Parameters
        ----------
        data : bytes
            Registers or packed bits exactly as asked; the link has checked the length.
        time : float
            When it was received [POSIX s].
        received : float
            The same [monotonic s].

        Returns
        -------
        dict
            Readings by unit and signal; one for every point of the read.
        """
        if self._is_bits:
            raws: tuple[object, ...] = tuple(data[byte] >> bit & 1 for byte, bit in self._bits)
        else:
            raws = self._struct.unpack(bytes(self._reorder(data)) if self._reorder else data)
        if self._plain and self._only_unit is not None:
            return {self._only_unit: self._decode_plain(raws, time, received)}
        readings: dict[str, dict[str, Reading]] = {unit: {} for unit in self._units}
        for field, raw in zip(self._fields, raws, strict=True):
            readings[field.unit][field.signal] = _reading(field, raw, time, received)
        return readings

    def _decode_plain(self, raws: tuple[object, ...], time: float, received: float) -> dict[str, Reading]:
        """Make readings of numbers of one unit, the usual case, without a call for each."""
        numbers = cast("tuple[float, ...]", raws)
        values = [raw * factor + offset for raw, (factor, offset) in zip(numbers, self._scales, strict=True)]
        if not math.isfinite(sum(values)):  # one that is not finite makes the sum so
            fields = zip(self._fields, raws, strict=True)
            return {field.signal: _reading(field, raw, time, received) for field, raw in fields}
        good, make = Status.GOOD, tuple.__new__  # half the cost of Reading(...)
        readings = [make(Reading, (value, good, time, received, "")) for value in values]
        return dict(zip(self._signals, readings, strict=True))


def _field(point: Point, scalings: Mapping[tuple[str, str], Scaling], *, is_bit: bool) -> _Field:
    finish = None if is_bit else _finisher(point.config)
    return _Field(point.unit, point.signal, scalings[point.unit, point.signal], finish)


def _reading(field: _Field, raw: object, time: float, received: float) -> Reading:
    try:
        value = cast("Raw", raw) if field.finish is None else field.finish(raw)
        return measured(number(value), field.scaling, time, received)
    except NoValueError as error:
        return Reading(None, Status.BAD_SENSOR_FAILURE, time, received, str(error))
