"""Which registers to read together: signals in, as few requests as the device's limits allow out.

Pure. A request costs nearly the same whether it carries one register or a hundred, so neighbours are merged;
never past the limits of the device, never across a gap wider than allowed, never over a declared hole, and
never so that a value of several registers is cut in two.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from config.controllers import ModbusBase
from config.modbus_map import PlacementError, Table, device_of, holes_on_wire, wire_range
from config.signals import ModbusSignal
from daemon.sources.modbus_frames import ReadRequest

ScanClass = Literal["fast", "slow"]


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


def place(controller: ModbusBase, unit: str, name: str, signal: ModbusSignal) -> Point:
    """Find a signal on the wire.

    Raises
    ------
    PlacementError
        It cannot be read as the site file describes it.
    """
    device_id = device_of(controller, signal)
    wire = wire_range(controller, signal)
    return Point(unit, name, device_id, signal.table, wire.start, len(wire), signal.scan_class, signal)


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


def _planned(points: tuple[Point, ...]) -> PlannedRead:
    first = points[0]
    count = max(point.end for point in points) - first.address
    return PlannedRead(
        ReadRequest(first.device_id, first.table, first.address, count), points, first.scan_class
    )
