"""Read every signal of a controller once, as a commissioning aid: what the registers hold and what it means.

Each signal is read alone, so that a fault is told of the signal that has it. Nothing here is used while the
daemon polls; like polling it can only read.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass

from config.controllers import ModbusRtuOverTcp, ModbusSerial, ModbusTcp
from config.signals import ModbusSignal
from config.site import Site
from daemon.clock import Clock
from daemon.model import Quality, Reading
from daemon.sources.base import Scaling
from daemon.sources.modbus_codec import (
    ORDERS,
    BlockDecoder,
    ByteOrder,
    NoValueError,
    Raw,
    WordOrder,
    decode,
    number,
)
from daemon.sources.modbus_faults import ReadError
from daemon.sources.modbus_link import ModbusController, ModbusLink
from daemon.sources.modbus_plan import PlannedRead, Point, place, plan_reads
from daemon.sources.modbus_poller import modbus_scalings, modbus_signals

SILENCES_UNTIL_SKIPPED = 2
"""Signals of one device that may stay unanswered before the rest of it is left out."""
SMALLEST_PLAUSIBLE, LARGEST_PLAUSIBLE = 1e-6, 1e6
"""Size of a plausible value other than 0, in the signal's own unit; a range replaces the largest."""


@dataclass(frozen=True, slots=True)
class OrderProbe:
    """What a value would be in one order of its words and bytes; ``value`` in the signal's own unit."""

    word_order: WordOrder
    byte_order: ByteOrder
    raw: Raw | None
    value: float | None
    plausible: bool
    configured: bool


@dataclass(frozen=True, slots=True)
class SignalProbe:
    """One signal as read.

    ``address`` is as the site file writes it. ``words`` are the registers, or one bit, as they came;
    ``raw`` is decoded before scale and offset, ``value`` after them in ``signal_unit``, and ``reading`` is
    what the daemon would take, in SI. ``advice`` says what to do about a fault or an implausible value.
    """

    unit: str
    signal: str
    device_id: int
    table: str
    address: int
    type: str
    signal_unit: str
    words: tuple[int, ...] = ()
    raw: Raw | None = None
    value: float | None = None
    reading: Reading | None = None
    round_trip: float | None = None
    orders: tuple[OrderProbe, ...] = ()
    fault: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """One controller as found. Times are seconds; ``connect_time`` is ``None`` where nobody answered."""

    controller: str
    protocol: str
    where: str
    connect_time: float | None
    signals: tuple[SignalProbe, ...]
    identification: Mapping[int, Mapping[int, str]]
    planned_reads: int
    fault: str = ""
    advice: str = ""

    @property
    def round_trips(self) -> tuple[float, ...]:
        """Round-trip times of the answered reads, shortest first [s]."""
        return tuple(sorted(one.round_trip for one in self.signals if one.round_trip is not None))


async def probe(
    controller: ModbusController,
    signals: Mapping[tuple[str, str], ModbusSignal],
    scalings: Mapping[tuple[str, str], Scaling],
    clock: Clock,
) -> ProbeReport:
    """Read every signal of one controller once.

    Parameters
    ----------
    controller : ModbusTcp, ModbusRtuOverTcp or ModbusSerial
        Where and how to read.
    signals : mapping of (unit, signal) to ModbusSignal
        What to read.
    scalings : mapping of (unit, signal) to Scaling
        How raw values become SI.
    clock : Clock
        For the readings' time stamps.

    Returns
    -------
    ProbeReport
        One entry for each signal, in the given order, whatever happened.

    Raises
    ------
    PlacementError
        A signal that cannot be read as the site file describes it.
    """
    points = [place(controller, unit, name, signal) for (unit, name), signal in signals.items()]
    planned = len(plan_reads(controller, points))
    link = ModbusLink(controller)
    started = time.perf_counter()
    try:
        await link.connect()
    except ReadError as error:
        found = tuple(_not_read(point, error.reason) for point in points)
        return ProbeReport(
            controller.name,
            controller.protocol,
            link.where,
            None,
            found,
            {},
            planned,
            error.reason,
            error.what_to_do,
        )
    connect_time = time.perf_counter() - started
    try:
        identification = await _identification(link, controller, points)
        found = await _read_all(link, controller, points, scalings, clock)
    finally:
        link.close("probed")
    return ProbeReport(
        controller.name, controller.protocol, link.where, connect_time, found, identification, planned
    )


async def probe_modbus(site: Site, clock: Clock) -> list[ProbeReport]:
    """Probe every Modbus controller of a site that has signals, one after another."""
    reports = []
    by_controller = modbus_signals(site)
    for controller in site.controllers:
        signals = by_controller.get(controller.name)
        if signals and isinstance(controller, ModbusTcp | ModbusRtuOverTcp | ModbusSerial):
            reports.append(await probe(controller, signals, modbus_scalings(site, signals), clock))
    return reports


async def _identification(
    link: ModbusLink, controller: ModbusController, points: list[Point]
) -> dict[int, Mapping[int, str]]:
    found: dict[int, Mapping[int, str]] = {}
    if controller.identify:
        for device_id in sorted({point.device_id for point in points}):
            try:
                found[device_id] = await link.identify(device_id)
            except ReadError:
                found[device_id] = {}
    return found


async def _read_all(
    link: ModbusLink,
    controller: ModbusController,
    points: list[Point],
    scalings: Mapping[tuple[str, str], Scaling],
    clock: Clock,
) -> tuple[SignalProbe, ...]:
    silences: dict[int, int] = {}
    found = []
    for point in points:
        if silences.get(point.device_id, 0) >= SILENCES_UNTIL_SKIPPED:
            found.append(_not_read(point, f"not asked: device {point.device_id} did not answer before"))
            continue
        (read,) = plan_reads(controller, [point])
        started = time.perf_counter()
        try:
            if not link.connected:
                await link.connect()
            data = await link.read(read.request)
        except ReadError as error:
            if error.silent_device:
                silences[point.device_id] = silences.get(point.device_id, 0) + 1
            found.append(_not_read(point, error.reason, error.what_to_do))
        else:
            silences[point.device_id] = 0
            found.append(_as_read(read, data, time.perf_counter() - started, controller, scalings, clock))
    return tuple(found)


def _not_read(point: Point, fault: str, advice: str = "") -> SignalProbe:
    signal = point.config
    return SignalProbe(
        point.unit,
        point.signal,
        point.device_id,
        point.table,
        signal.address,
        signal.type,
        signal.unit,
        fault=fault,
        advice=advice,
    )


def _as_read(
    read: PlannedRead,
    data: bytes,
    round_trip: float,
    controller: ModbusController,
    scalings: Mapping[tuple[str, str], Scaling],
    clock: Clock,
) -> SignalProbe:
    (point,) = read.points
    signal = point.config
    decoder = BlockDecoder(read, controller, scalings)
    reading = decoder.decode(data, clock.wall(), clock.monotonic())[point.unit][point.signal]
    raw: Raw | None
    orders: tuple[OrderProbe, ...] = ()
    if point.table in {"coil", "discrete"}:
        words: tuple[int, ...] = (data[0] & 1,)
        raw = words[0]
    else:
        words = tuple(int.from_bytes(data[start : start + 2], "big") for start in range(0, len(data), 2))
        orders = orders_tried(signal, data, controller)
        raw = next(order.raw for order in orders if order.configured)
    return SignalProbe(
        point.unit,
        point.signal,
        point.device_id,
        point.table,
        signal.address,
        signal.type,
        signal.unit,
        words=words,
        raw=raw,
        value=_in_unit(signal, raw),
        reading=reading,
        round_trip=round_trip,
        orders=orders,
        fault=reading.reason if reading.quality is not Quality.GOOD else "",
        advice=order_advice(orders),
    )


def orders_tried(
    signal: ModbusSignal, registers: bytes, controller: ModbusController
) -> tuple[OrderProbe, ...]:
    """Decode registers in every order of words and bytes that makes a difference to their type.

    Parameters
    ----------
    signal : ModbusSignal
        Its type, scale and range.
    registers : bytes
        As read, two bytes each.
    controller : ModbusTcp, ModbusRtuOverTcp or ModbusSerial
        For the orders that the signal leaves to it.
    """
    configured = (signal.word_order or controller.word_order, signal.byte_order or controller.byte_order)
    tried = []
    for word_order, byte_order in ORDERS:
        is_configured = (word_order, byte_order) == configured
        matters = len(registers) > 2 and signal.type != "ascii"
        if not matters and word_order != configured[0]:
            continue
        raw: Raw | None
        try:
            raw = decode(signal, registers, word_order, byte_order)
        except NoValueError:
            raw = None
        value = _in_unit(signal, raw)
        tried.append(OrderProbe(word_order, byte_order, raw, value, _plausible(signal, value), is_configured))
    return tuple(tried)


def order_advice(orders: tuple[OrderProbe, ...]) -> str:
    """Say which other order gives a plausible value where the configured one does not; else nothing."""
    if not orders or any(order.configured and order.plausible for order in orders):
        return ""
    others = [order for order in orders if order.plausible]
    if not others:
        return "The value is not plausible in any byte order. Check address, type, scale and unit."
    choices = " or ".join(
        f'{order.value:.6g} with word_order = "{order.word_order}", byte_order = "{order.byte_order}"'
        for order in others
    )
    return f"The value is not plausible as configured; it would be {choices}."


def _in_unit(signal: ModbusSignal, raw: Raw | None) -> float | None:
    """Return a raw value after scale and offset, in the signal's own unit."""
    if raw is None:
        return None
    try:
        value = number(raw) * signal.scale + signal.offset
    except NoValueError:
        return None
    return value if math.isfinite(value) else None


def _plausible(signal: ModbusSignal, value: float | None) -> bool:
    if value is None:
        return False
    low, high = signal.range or (-LARGEST_PLAUSIBLE, LARGEST_PLAUSIBLE)
    return low <= value <= high and (value == 0.0 or abs(value) >= SMALLEST_PLAUSIBLE)
