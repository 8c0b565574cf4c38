"""A controller's memory: signals of a site file laid into Modbus registers and bits. Pure.

The layout comes from the same site file that the daemon reads, so that the two cannot drift apart; the
encoding is written here a second time on purpose: a decoder tested with its own inverse proves nothing.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from config.controllers import ModbusBase
from config.quantities import SIGNAL_KINDS, Quantity
from config.signals import ModbusSignal, SignalBase
from config.units import Conversion, UnitContext, conversion
from daemon.fieldsim.instruments import has_signal

TABLES = ("coil", "discrete", "holding", "input")
_PREFIX = {"coil": 0, "discrete": 10_000, "input": 30_000, "holding": 40_000}
_INTEGER_FORMAT = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "int64": "q", "uint64": "Q",
}  # fmt: skip


class LayoutError(ValueError):
    """A signal that the simulator cannot serve; the message names it."""


def wire_address(controller: ModbusBase, table: str, address: int) -> int:
    """Return the address on the wire, counted from 0, of an address as the site file writes it."""
    if controller.addressing == "zero-based":
        return address
    if controller.addressing == "one-based":
        return address - 1
    digits = 10 if address > 65_536 else 1  # 40001, or with six digits 400001
    return address - _PREFIX[table] * digits - 1


@dataclass(frozen=True, slots=True)
class Slot:
    """Where one signal of one plant lives."""

    unit: str
    name: str
    signal: ModbusSignal
    first: int
    """Address on the wire."""
    conversion: Conversion
    low_word_first: bool
    low_byte_first: bool

    def words(self, value: float | None) -> list[int]:
        """Encode an SI value, or ``None`` for one that the device calls bad, into registers."""
        kind = self.signal.type
        if value is None:
            return self._in_order(self._bad_words())
        raw = (self.conversion.from_si(value) - self.signal.offset) / self.signal.scale
        if kind in {"float32", "float64"}:
            return self._in_order(_split(struct.pack(">f" if kind == "float32" else ">d", raw)))
        if not math.isfinite(raw):
            return self._in_order(self._bad_words())
        whole = round(raw)
        if kind in {"bcd16", "bcd32"}:
            digits = 4 if kind == "bcd16" else 8
            text = f"{min(max(whole, 0), 10**digits - 1):0{digits}d}"
            return self._in_order(_split(bytes.fromhex(text)))
        format_ = _INTEGER_FORMAT[kind]
        bits = 8 * struct.calcsize(f">{format_}")
        if SIGNAL_KINDS.get(self.name) and SIGNAL_KINDS[self.name].quantity in _ROLLING:
            whole %= 2 ** min(self.signal.counter_bits or bits, bits)  # counters roll over
            whole = whole - 2**bits if format_.islower() and whole >= 2 ** (bits - 1) else whole
        else:
            low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if format_.islower() else (0, 2**bits - 1)
            whole = min(max(whole, low), high)  # a measurement stops at its end
        return self._in_order(_split(struct.pack(f">{format_}", whole)))

    def _bad_words(self) -> list[int]:
        """Return what the device sends when it has no value: NaN, its own bad value, or the lowest number."""
        width = register_count(self.signal)
        if self.signal.type in {"float32", "float64"}:
            return _split(struct.pack(">f" if self.signal.type == "float32" else ">d", math.nan))
        if self.signal.bad_values:
            return [self.signal.bad_values[0] & 0xFFFF] * width
        return [0x8000, *[0] * (width - 1)]

    def _in_order(self, words: list[int]) -> list[int]:
        if self.low_word_first:
            words.reverse()
        if self.low_byte_first:
            words = [(word & 0xFF) << 8 | word >> 8 for word in words]
        return words


_ROLLING = {Quantity.STROKE_COUNT, Quantity.COUNT}


def _split(data: bytes) -> list[int]:
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def register_count(signal: ModbusSignal) -> int:
    """Return how many registers a value takes."""
    widths = {"32": 2, "64": 4}
    return widths.get(signal.type[-2:], 1)


def signal_conversion(name: str, signal: SignalBase, context: UnitContext) -> Conversion:
    """Return how a signal's unit converts to SI.

    Raises
    ------
    LayoutError
        The simulated plant has no such signal.
    """
    if not has_signal(name):
        raise LayoutError(f'the simulated plant has no signal "{name}"; leave it out of a simulated site')
    return conversion(signal.unit, SIGNAL_KINDS[name].quantity, context)


class Memory:
    """The four tables of one device id, as a controller serves them.

    Addresses between the lowest and the highest used one are there and read as 0, like the spare
    registers of a real controller; beyond them, and in a declared hole, there is nothing.
    """

    def __init__(self, controller: ModbusBase, slots: Iterable[Slot]) -> None:
        self.slots = tuple(slots)
        self._values: dict[str, dict[int, int]] = {table: {} for table in TABLES}
        for slot in self.slots:
            table = self._values[slot.signal.table]
            for address in range(slot.first, slot.first + register_count(slot.signal)):
                table[address] = 0
        for name, table in self._values.items():
            if table:
                for address in range(min(table), max(table) + 1):
                    table.setdefault(address, 0)
            for hole in controller.holes:
                if hole.table == name:
                    first = wire_address(controller, name, hole.first)
                    for address in range(first, first + hole.last - hole.first + 1):
                        table.pop(address, None)

    def read(self, table: str, address: int, count: int) -> list[int] | None:
        """Return registers or bits, or ``None`` where one of them is not there."""
        values = self._values[table]
        try:
            return [values[i] for i in range(address, address + count)]
        except KeyError:
            return None

    def update(self, unit: str, shown: Mapping[str, float | None]) -> None:
        """Take over what a unit's instruments show."""
        for slot in self.slots:
            if slot.unit != unit or slot.name not in shown:
                continue
            value, table = shown[slot.name], self._values[slot.signal.table]
            if slot.signal.type == "bool":
                state = bool(value) != slot.signal.inverted
                if slot.signal.bit is None:
                    table[slot.first] = int(state)
                else:
                    mask = 1 << slot.signal.bit
                    table[slot.first] = table[slot.first] & ~mask | (mask if state else 0)
                continue
            for offset, word in enumerate(slot.words(value)):
                table[slot.first + offset] = word


def lay_out(
    controller: ModbusBase, signals: Iterable[tuple[str, str, ModbusSignal]], context: UnitContext
) -> dict[int, Memory]:
    """Lay (unit, name, signal) triples into the memory of each device id behind a controller.

    Raises
    ------
    LayoutError
        A signal that the plant does not have, a text, or a register in a declared hole.
    """
    by_device: dict[int, list[Slot]] = {controller.device_id: []}
    for unit, name, signal in signals:
        if signal.type == "ascii":
            raise LayoutError(f"{unit}: {name} is text; the simulated plant has only numbers")
        first = wire_address(controller, signal.table, signal.address)
        if not 0 <= first <= 65_535:
            raise LayoutError(f"{unit}: {name} has the address {signal.address}, which is not on the wire")
        device = controller.device_id if signal.device_id is None else signal.device_id
        slot = Slot(
            unit,
            name,
            signal,
            first,
            signal_conversion(name, signal, context),
            low_word_first=(signal.word_order or controller.word_order) == "low word first",
            low_byte_first=(signal.byte_order or controller.byte_order) == "low byte first",
        )
        by_device.setdefault(device, []).append(slot)
    memories = {device: Memory(controller, slots) for device, slots in by_device.items()}
    for memory in memories.values():
        for slot in memory.slots:
            if memory.read(slot.signal.table, slot.first, register_count(slot.signal)) is None:
                raise LayoutError(f"{slot.unit}: {slot.name} lies in a hole of {controller.name}")
    return memories
