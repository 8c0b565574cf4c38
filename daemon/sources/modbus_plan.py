"""Which registers to read together: signals in, as few requests as the device's limits allow out.

Pure. A request costs nearly the same whether it carries one register or a hundred, so neighbours are merged;
never past the limits of the device, never across a gap wider than allowed, never over a declared hole, and
never so that a value of several registers is cut in two.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from config.controllers import ModbusBase, ModbusSerial, ModbusTcp
from config.signals import ModbusSignal
from daemon.sources.modbus_frames import ReadRequest, Table

ScanClass = Literal["fast", "slow"]

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
        The key of the signal that is wrong: ``address``, ``type``, ``bit``, ``length``, ``device_id``.
    message : str
        What is wrong and what would be right.
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(f"{key}: {message}")
        self.key = key
        self.message = message


@dataclass(frozen=True, slots=True)
class Point:
    """One signal's place on the wire: ``count`` registers or bits from wire address ``address``."""

    unit: str
    signal: str
    device_id: int
    table: Table
    address: int
    count: int
    scan_class: ScanClass
    config: ModbusSignal

    @property
    def end(self) -> int:
        """First address after it."""
        return self.address + self.count


@dataclass(frozen=True, slots=True)
class PlannedRead:
    """One request and the points that its answer holds, by rising address."""

    request: ReadRequest
    points: tuple[Point, ...]
    scan_class: ScanClass

    def halves(self) -> tuple[PlannedRead, ...]:
        """Split it in two, to find which address a device refuses; a read of one point stays as it is."""
        if len(self.points) < 2:
            return (self,)
        middle = len(self.points) // 2
        return tuple(_planned(part) for part in (self.points[:middle], self.points[middle:]))


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
        if address < 1:
            raise PlacementError("address", f"{address} is below 1, where one-based addressing begins")
        wire = address - 1
    else:
        wire = _without_prefix(table, address)
    if not 0 <= wire <= 0xFFFF:
        raise PlacementError(
            "address", f"{address} is beyond the last address of a Modbus table (65535 on the wire)"
        )
    return wire


def _without_prefix(table: Table, address: int) -> int:
    prefix = _PREFIX[table]
    if prefix * 10_000 < address <= prefix * 10_000 + 9_999:
        return address - prefix * 10_000 - 1
    if prefix and prefix * 100_000 < address <= prefix * 100_000 + 65_536:
        return address - prefix * 100_000 - 1
    for other, other_prefix in _PREFIX.items():
        if address in range(other_prefix * 10_000 + 1, other_prefix * 10_000 + 10_000):
            raise PlacementError(
                "address", f'{address} is a reference into the table "{other}", not "{table}"'
            )
    if not prefix:
        raise PlacementError(
            "address",
            f"{address} cannot be told from a reference into another table; coils above 9999 need zero-based "
            "or one-based addressing",
        )
    raise PlacementError(
        "address",
        f'{address} is no reference into the table "{table}"; write {prefix}0001 to {prefix}9999 '
        f"or {prefix}00001 to {prefix}65536",
    )


def place(controller: ModbusBase, unit: str, name: str, signal: ModbusSignal) -> Point:
    """Find a signal on the wire and check that it can be read as described.

    Raises
    ------
    PlacementError
        Address, type, bit, length or device id that do not fit together, or an address in a hole.
    """
    is_bits = signal.table in {"coil", "discrete"}
    if is_bits and signal.type != "bool":
        raise PlacementError("type", f'a {signal.table} is one bit; its type is "bool", not "{signal.type}"')
    if is_bits and signal.bit is not None:
        raise PlacementError("bit", f"a {signal.table} is one bit already")
    if not is_bits and signal.type == "bool" and signal.bit is None:
        raise PlacementError("bit", "a state in a register needs its bit, 0 (least significant) to 15")
    if signal.bit is not None and signal.type not in {"bool", "uint16"}:
        raise PlacementError(
            "bit", f'one bit of a register is a state: its type is "bool", not "{signal.type}"'
        )
    if signal.type == "ascii" and signal.length is None:
        raise PlacementError("length", "text needs its length in registers")
    if signal.type != "ascii" and signal.length is not None:
        raise PlacementError("length", f'only text has a length; a "{signal.type}" has its own')
    device_id = controller.device_id if signal.device_id is None else signal.device_id
    if not isinstance(controller, ModbusTcp) and not 1 <= device_id <= 247:
        raise PlacementError("device_id", f"{device_id} is no device on a serial line; those are 1 to 247")
    count = REGISTERS.get(signal.type, signal.length or 1)
    limit = controller.max_bits_per_request if is_bits else controller.max_registers_per_request
    if count > limit:
        raise PlacementError("length", f"{count} registers do not fit into one read of at most {limit}")
    address = wire_address(controller.addressing, signal.table, signal.address)
    if address + count > 0x10000:
        raise PlacementError(
            "address", f"{signal.address} and its {count} registers run over the table's end"
        )
    for hole in holes_on_wire(controller, signal.table):
        if hole.start < address + count and address < hole.stop:
            raise PlacementError("address", f"{signal.address} lies in a hole that must not be read")
    return Point(unit, name, device_id, signal.table, address, count, signal.scan_class, signal)


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
            raise PlacementError("holes", f"last {hole.last} is before first {hole.first}")
        if hole.table == table:
            first, last = (wire_address(controller.addressing, table, end) for end in (hole.first, hole.last))
            holes.append(range(first, last + 1))
    return holes


def plan_reads(controller: ModbusBase, points: Iterable[Point]) -> tuple[PlannedRead, ...]:
    """Merge points into reads, by device id, scan class and table.

    Parameters
    ----------
    controller : ModbusBase
        Its limits, largest gap and holes.
    points : iterable of Point
        From ``place`` with the same controller.

    Returns
    -------
    tuple of PlannedRead
        Every point in exactly one read; ordered by device id, fast before slow, table, address.
    """
    groups: dict[tuple[int, ScanClass, Table], list[Point]] = {}
    for point in points:
        groups.setdefault((point.device_id, point.scan_class, point.table), []).append(point)
    reads: list[PlannedRead] = []
    for key in sorted(groups):
        table = key[2]
        limit = (
            controller.max_bits_per_request
            if table in {"coil", "discrete"}
            else controller.max_registers_per_request
        )
        holes = holes_on_wire(controller, table)
        together: list[Point] = []
        start = end = 0
        for point in sorted(groups[key], key=lambda point: (point.address, point.end)):
            joined = max(end, point.end)
            fits = joined - start <= limit and point.address - end <= controller.max_gap
            if together and fits and not any(hole.start < joined and start < hole.stop for hole in holes):
                together.append(point)
                end = joined
                continue
            if together:
                reads.append(_planned(tuple(together)))
            together, start, end = [point], point.address, point.end
        reads.append(_planned(tuple(together)))
    return tuple(reads)


def plan_signals(
    controller: ModbusBase, signals: Mapping[tuple[str, str], ModbusSignal]
) -> tuple[PlannedRead, ...]:
    """Place and merge all signals of one controller, given by unit and name.

    Raises
    ------
    ExceptionGroup
        Of ``ValueError``: one for each signal that cannot be placed, naming unit, signal and key.
    """
    points: list[Point] = []
    problems: list[ValueError] = []
    for (unit, name), signal in signals.items():
        try:
            points.append(place(controller, unit, name, signal))
        except PlacementError as error:
            problems.append(ValueError(f"units.{unit}.signals.{name}.{error}"))
    if problems:
        raise ExceptionGroup(f'controller "{controller.name}": signals that cannot be read', problems)
    return plan_reads(controller, points)


def shared_line(controllers: Iterable[object]) -> str | None:
    """Return what is wrong where two controllers name the same serial line, else ``None``."""
    seen: dict[str, str] = {}
    for controller in controllers:
        if isinstance(controller, ModbusSerial):
            if controller.device in seen:
                return (
                    f'controllers "{seen[controller.device]}" and "{controller.name}" share the serial line '
                    f"{controller.device}; make it one controller and give the signals a device_id"
                )
            seen[controller.device] = controller.name
    return None


def _planned(points: tuple[Point, ...]) -> PlannedRead:
    first = points[0]
    count = max(point.end for point in points) - first.address
    return PlannedRead(
        ReadRequest(first.device_id, first.table, first.address, count), points, first.scan_class
    )
