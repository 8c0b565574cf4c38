"""How journal entries become bytes and come back: packed rows for scans, JSON for records.

A scan row is made for reading one column without touching the others. Little-endian, in this order:

========  ==========================================================================================
header    version u8, operating state u8, columns u16, stamps u16, conditions u16, scan number u32
values    one float64 per column, signals first, then results, as the layout names them; NaN: no value
spread    one float32 per result: its standard uncertainty; NaN: none
stamps    pairs of float64: source time and monotonic time of receipt, shared by the readings of a message
          or request; then, where there are several pairs, one index u16 per signal
verdicts  status u32, length u16 and text of the reason, each different one once; then, where there are
          several, one index u16 per column
check     CRC-32 of all before it
========  ==========================================================================================

In a healthy scan everything after ``spread`` is a few dozen bytes.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import struct
import zlib
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.model import (
    AlarmState,
    AlarmTransition,
    Event,
    LikelyCause,
    OperatingState,
    Outcome,
    Priority,
    Reading,
    Result,
    ScanRecord,
    Status,
)

VERSION = 1
HEADER = struct.Struct("<BBHHHI")
VERDICT = struct.Struct("<IH")
CHECK = struct.Struct("<I")
_DOUBLE, _SINGLE, _INDEX, _STAMP = (struct.Struct(code) for code in ("<d", "<f", "<H", "<dd"))
_NAN = math.nan
_MAX_REASON = 500  # bytes; a reason is a sentence, not a log

# Numbers on disk must not move when the enum gets a new member in the middle.
_STATE_NUMBERS: dict[OperatingState, int] = {
    OperatingState.UNKNOWN: 0,
    OperatingState.SHUT_IN: 1,
    OperatingState.COLD: 2,
    OperatingState.HEATING: 3,
    OperatingState.READY: 4,
    OperatingState.BYPASS_OPEN: 5,
    OperatingState.DRYING: 6,
    OperatingState.COOLING_DOWN: 7,
}
STATES: dict[int, OperatingState] = {number: state for state, number in _STATE_NUMBERS.items()}
_STATUSES: dict[int, Status] = {status.value: status for status in Status}


class DamagedRow(ValueError):  # noqa: N818 - says what was found
    """A stored row that is not what was written: its check sum or its structure does not fit."""


@dataclass(frozen=True)
class Layout:
    """Which columns a scan row has: signals in order, then results in order."""

    signals: tuple[str, ...]
    results: tuple[str, ...]

    @functools.cached_property
    def columns(self) -> int:
        """Number of columns."""
        return len(self.signals) + len(self.results)

    @functools.cached_property
    def stamps_at(self) -> int:
        """Where the time stamps begin in a row."""
        return HEADER.size + 8 * self.columns + 4 * len(self.results)

    def to_json(self) -> str:
        """Write it for the layout table."""
        return json.dumps({"signals": self.signals, "results": self.results}, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Layout:
        """Read it from the layout table."""
        data = json.loads(text)
        return cls(tuple(data["signals"]), tuple(data["results"]))


def layout_of(outcome: Outcome) -> Layout:
    """Return the columns that an outcome needs."""
    return Layout(tuple(outcome.signals), tuple(outcome.results))


def pack_scan(outcome: Outcome) -> bytes:
    """Pack signals and results of an outcome in the order of ``layout_of``."""
    values: list[float] = []
    stamps: dict[tuple[float, float], int] = {}
    stamp_of: list[int] = []
    verdicts: dict[tuple[int, str], int] = {}
    verdict_of: list[int] = []
    for reading in outcome.signals.values():
        value = reading.value
        values.append(_NAN if value is None else value)
        stamp_of.append(stamps.setdefault((reading.time, reading.received), len(stamps)))
        verdict_of.append(verdicts.setdefault((reading.status, reading.reason), len(verdicts)))
    spread: list[float] = []
    for result in outcome.results.values():
        value, uncertainty = result.value, result.uncertainty
        values.append(_NAN if value is None else value)
        spread.append(_NAN if uncertainty is None else uncertainty)
        verdict_of.append(verdicts.setdefault((result.status, result.reason), len(verdicts)))
    header = HEADER.pack(
        VERSION,
        _STATE_NUMBERS[outcome.state],
        len(values),
        len(stamps),
        len(verdicts),
        outcome.sequence & 0xFFFFFFFF,
    )
    parts = [header, _little("d", values), _little("f", spread)]
    parts.append(_little("d", [part for stamp in stamps for part in stamp]))
    if len(stamps) > 1:
        parts.append(_little("H", stamp_of))
    for status, reason in verdicts:
        text = reason.encode()[:_MAX_REASON].decode(errors="ignore").encode()
        parts += (VERDICT.pack(status, len(text)), text)
    if len(verdicts) > 1:
        parts.append(_little("H", verdict_of))
    body = b"".join(parts)
    return body + CHECK.pack(zlib.crc32(body))


class ScanRow:
    """A stored scan row, opened: checks the row at once and reads columns on demand.

    Parameters
    ----------
    layout : Layout
        Columns of the row.
    body : bytes
        What ``pack_scan`` made.

    Raises
    ------
    DamagedRow
        The row does not match its check sum or its layout.
    """

    __slots__ = (
        "_body",
        "_indexes_at",
        "_stamps",
        "_verdict_count",
        "_verdicts",
        "layout",
        "scan_number",
        "state",
    )

    def __init__(self, layout: Layout, body: bytes) -> None:
        end = len(body) - CHECK.size
        if end < HEADER.size or zlib.crc32(body[:end]) != CHECK.unpack_from(body, end)[0]:
            raise DamagedRow("a scan row does not match its check sum")
        version, state, columns, self._stamps, self._verdict_count, self.scan_number = HEADER.unpack_from(
            body
        )
        if version != VERSION or columns != layout.columns or state not in STATES:
            raise DamagedRow(f"a scan row (version {version}, {columns} columns) does not match its layout")
        self.layout = layout
        self.state = STATES[state]
        self._body = body
        self._verdicts: tuple[tuple[Status, str], ...] = ()
        self._indexes_at = 0

    def value(self, column: int) -> float | None:
        """Return the value of a column [SI], or ``None``."""
        value: float = _DOUBLE.unpack_from(self._body, HEADER.size + 8 * column)[0]
        return None if value != value else value  # noqa: PLR0124 - NaN is the only value unlike itself

    def verdict(self, column: int) -> tuple[Status, str]:
        """Return status and reason of a column."""
        verdicts = self._verdicts or self._read_verdicts()
        if len(verdicts) == 1:
            return verdicts[0]
        return verdicts[_INDEX.unpack_from(self._body, self._indexes_at + 2 * column)[0]]

    def point(self, column: int) -> tuple[float | None, Status]:
        """Return value [SI] and status of a column."""
        return self.value(column), self.verdict(column)[0]

    def uncertainty(self, column: int) -> float | None:
        """Return the standard uncertainty of a result's column [SI]; ``None`` where there is none."""
        result = column - len(self.layout.signals)
        if result < 0:
            return None
        value: float = _SINGLE.unpack_from(self._body, HEADER.size + 8 * self.layout.columns + 4 * result)[0]
        return None if value != value else value  # noqa: PLR0124 - NaN is the only value unlike itself

    def stamp(self, column: int) -> tuple[float, float]:
        """Return source time and monotonic time of receipt of a signal's column."""
        stamps_at, index = self.layout.stamps_at, 0
        if self._stamps > 1:
            index = _INDEX.unpack_from(self._body, stamps_at + 16 * self._stamps + 2 * column)[0]
        source, received = _STAMP.unpack_from(self._body, stamps_at + 16 * index)
        return source, received

    def record(self, unit: str, time: float) -> ScanRecord:
        """Return everything in the row; numbers are unpacked together, which is half the work."""
        layout, body = self.layout, self._body
        columns, signals = layout.columns, len(layout.signals)
        values = struct.unpack_from(f"<{columns}d", body, HEADER.size)
        spreads = struct.unpack_from(f"<{columns - signals}f", body, HEADER.size + 8 * columns)
        stamps = struct.unpack_from(f"<{2 * self._stamps}d", body, layout.stamps_at)
        stamp_of: tuple[int, ...] = (0,) * signals
        if self._stamps > 1:
            stamp_of = struct.unpack_from(f"<{signals}H", body, layout.stamps_at + 16 * self._stamps)
        verdicts = self._verdicts or self._read_verdicts()
        verdict_of: tuple[int, ...] = (0,) * columns
        if len(verdicts) > 1:
            verdict_of = struct.unpack_from(f"<{columns}H", body, self._indexes_at)
        readings: dict[str, Reading] = {}
        for name, number, stamp, verdict in zip(layout.signals, values, stamp_of, verdict_of, strict=False):
            status, reason = verdicts[verdict]
            value = None if number != number else number  # noqa: PLR0124 - NaN is the only value unlike itself
            readings[name] = Reading(value, status, stamps[2 * stamp], stamps[2 * stamp + 1], reason)
        results: dict[str, Result] = {}
        for name, number, spread, verdict in zip(
            layout.results, values[signals:], spreads, verdict_of[signals:], strict=True
        ):
            status, reason = verdicts[verdict]
            value = None if number != number else number  # noqa: PLR0124 - see above
            uncertainty = None if spread != spread else spread  # noqa: PLR0124 - see above
            results[name] = Result(value, uncertainty, status, reason)
        return ScanRecord(unit, time, self.state, readings, results)

    def _read_verdicts(self) -> tuple[tuple[Status, str], ...]:
        at = self.layout.stamps_at + 16 * self._stamps
        if self._stamps > 1:
            at += 2 * len(self.layout.signals)
        found = []
        for _ in range(self._verdict_count):
            code, length = VERDICT.unpack_from(self._body, at)
            at += VERDICT.size
            found.append((_STATUSES[code], self._body[at : at + length].decode() if length else ""))
            at += length
        self._indexes_at, self._verdicts = at, tuple(found)
        return self._verdicts


def _little(code: str, numbers: list[Any]) -> bytes:
    packed = array(code, numbers)
    if not _HOST_IS_LITTLE:
        packed.byteswap()
    return packed.tobytes()


_HOST_IS_LITTLE = struct.pack("=H", 1) == b"\x01\x00"


def pack_record(record: AlarmTransition | Event) -> str:
    """Write a transition or an event as JSON, the same text for the same content."""
    if isinstance(record, AlarmTransition):
        data: dict[str, Any] = {
            name: getattr(record, name)
            for name in AlarmTransition.__slots__
            if name not in {"unit", "causes"}
        }
        if record.causes:
            data["causes"] = [dataclasses.asdict(cause) for cause in record.causes]
    else:
        data = {name: getattr(record, name) for name in Event.__slots__ if name != "unit"}
        data["data"] = dict(record.data)
    return json.dumps(_finite(data), ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def unpack_transition(unit: str, text: str) -> AlarmTransition:
    """Read a transition back; one from before alarms had classes and causes has none."""
    data = json.loads(text)
    data["causes"] = tuple(_cause(cause) for cause in data.get("causes", ()))
    data["previous"], data["state"] = AlarmState(data["previous"]), AlarmState(data["state"])
    data["priority"] = Priority(data["priority"])
    return AlarmTransition(unit=unit, **data)


def _cause(data: Mapping[str, Any]) -> LikelyCause:
    lists: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in data.items()
    }
    return LikelyCause(**lists)


def unpack_event(unit: str, text: str) -> Event:
    """Read an event back."""
    return Event(unit=unit, **json.loads(text))


def _finite(data: Mapping[str, Any]) -> dict[str, Any]:
    """JSON has no NaN and no infinity: such a number is no number, hence null."""
    return {
        name: _finite(value)
        if isinstance(value, Mapping)
        else None
        if isinstance(value, float) and not math.isfinite(value)
        else value
        for name, value in data.items()
    }
