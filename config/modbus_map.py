"""Where a Modbus signal stands on the wire, checked against everything that its controller says.

Pure; used where a site file is checked and again where reads are planned, so that both agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from config.controllers import ModbusBase, ModbusSerial, ModbusTcp
from config.signals import ModbusSignal

Table = Literal["holding", "input", "coil", "discrete"]

REGISTERS: dict[str, int] = {
    "int16": 1,
    "uint16": 1,
    "bcd16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "bcd32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}
"""Registers that a value of each type takes; ``bool`` takes one bit or register, ``ascii`` its length."""

_PREFIX: dict[Table, int] = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}


class PlacementError(ValueError):
    """A signal or hole that cannot be found on the wire as the site file describes it.

    Parameters
    ----------
    key : str
        The key that is wrong: ``address``, ``type``, ``bit``, ``length``, ``device_id`` of a signal or
        ``holes`` of its controller.
    message : str
        What is wrong.
    fix : str
        What to do.
    """

    def __init__(self, key: str, message: str, fix: str) -> None:
        super().__init__(f"{key}: {message}. Fix: {fix}")
        self.key = key
        self.message = message
        self.fix = fix


def wire_address(addressing: str, table: Table, address: int) -> int:
    """Return the address on the wire, counted from 0, for one written in the site file.

    Parameters
    ----------
    addressing : str
        ``zero-based``, ``one-based`` or ``prefixed`` (40001 or 400001 is the first holding register).
    table : str
        Table of the signal.
    address : int
        Address as written.

    Raises
    ------
    PlacementError
        Outside what the addressing can name, or a prefix of another table.

    Examples
    --------
    >>> wire_address("prefixed", "holding", 40108), wire_address("prefixed", "holding", 400108)
    (107, 107)
    """
    if addressing == "zero-based":
        wire = address
    elif addressing == "one-based":
        wire = address - 1
    else:
        wire = _without_prefix(table, address)
    if not 0 <= wire <= 0xFFFF:
        first, last = (0, 65535) if addressing == "zero-based" else (1, 65536)
        raise PlacementError("address", f"{address} is no {addressing} address", f"use {first} to {last}")
    return wire


def _without_prefix(table: Table, address: int) -> int:
    prefix = _PREFIX[table]
    if prefix * 10_000 < address <= prefix * 10_000 + 9_999:
        return address - prefix * 10_000 - 1
    if prefix and prefix * 100_000 < address <= prefix * 100_000 + 65_536:
        return address - prefix * 100_000 - 1
    for other, other_prefix in _PREFIX.items():
        if address in range(other_prefix * 10_000 + 1, other_prefix * 10_000 + 10_000):
            message = f'{address} is a reference into the table "{other}", not "{table}"'
            raise PlacementError("address", message, "correct the table or the address")
    if not prefix:
        message = f"{address} cannot be told from a reference into another table"
        raise PlacementError("address", message, "use one-based addressing for coils above 9999")
    message = f'{address} is no reference into the table "{table}"'
    fix = f"use {prefix}0001 to {prefix}9999 or {prefix}00001 to {prefix}65536"
    raise PlacementError("address", message, fix)


def device_of(controller: ModbusBase, signal: ModbusSignal) -> int:
    """Return the device id that a signal is read from.

    Raises
    ------
    PlacementError
        An id that no device on a serial line can have.
    """
    device_id = controller.device_id if signal.device_id is None else signal.device_id
    if not isinstance(controller, ModbusTcp) and not 1 <= device_id <= 247:
        raise PlacementError("device_id", f"{device_id} is no device on a serial line", "use 1 to 247")
    return device_id


def wire_range(controller: ModbusBase, signal: ModbusSignal) -> range:
    """Return the addresses on the wire, counted from 0, that a signal takes.

    Raises
    ------
    PlacementError
        Address, type, bit or length that do not fit together or into one read, or an address in a hole.
    """
    is_bits = signal.table in {"coil", "discrete"}
    if is_bits and (signal.type != "bool" or signal.bit is not None):
        fix = 'use type = "bool" without a bit'
        raise PlacementError("type", f"a {signal.table} is one bit", fix)
    if not is_bits and (signal.type == "bool") != (signal.bit is not None):
        fix = 'a state in a register has type = "bool" and bit = 0 to 15'
        raise PlacementError("bit", "bit and bool belong together", fix)
    if (signal.type == "ascii") != (signal.length is not None):
        fix = "give length = number of registers, with ascii only"
        raise PlacementError("length", "length and ascii belong together", fix)
    count = REGISTERS.get(signal.type, signal.length or 1)
    if not is_bits and count > controller.max_registers_per_request:
        message = f"{count} registers do not fit into one read of {controller.max_registers_per_request}"
        raise PlacementError("length", message, "raise max_registers_per_request or shorten the text")
    first = wire_address(controller.addressing, signal.table, signal.address)
    if first + count > 0x10000:
        message = f"{signal.address} and its {count} registers run over the end of the table"
        raise PlacementError("address", message, "correct the address or the type")
    for hole in holes_on_wire(controller, signal.table):
        if hole.start < first + count and first < hole.stop:
            message = f"{signal.address} lies in a hole of {controller.name}, which must never be read"
            raise PlacementError("address", message, "correct the address or the hole")
    return range(first, first + count)


def holes_on_wire(controller: ModbusBase, table: Table) -> list[range]:
    """Return the wire addresses of one table that must never be read.

    Raises
    ------
    PlacementError
        A hole whose addresses make no sense.
    """
    holes = []
    for hole in controller.holes:
        if hole.last < hole.first:
            message = f"the hole from {hole.first} to {hole.last} ends before it begins"
            raise PlacementError("holes", message, "write the lower address first")
        if hole.table == table:
            ends = []
            for end in (hole.first, hole.last):
                try:
                    ends.append(wire_address(controller.addressing, table, end))
                except PlacementError as error:
                    raise PlacementError("holes", error.message, error.fix) from None
            holes.append(range(ends[0], ends[1] + 1))
    return holes


def shared_lines(controllers: Iterable[object]) -> Iterator[tuple[int, str]]:
    """Yield index and serial device of each controller on a line that an earlier one has already."""
    seen: set[str] = set()
    for index, controller in enumerate(controllers):
        if isinstance(controller, ModbusSerial):
            if controller.device in seen:
                yield index, controller.device
            seen.add(controller.device)
