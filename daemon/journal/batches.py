"""Stored scan rows opened by the thousand: rows of one layout and length lie under one another as arrays.

``daemon.journal.packing`` says what stands in a row and opens one; here the check sum of every row is looked
at too, and everything else is done for all rows at once.
"""

from __future__ import annotations

import functools
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.journal.packing import CHECK, HEADER, STATES, VERDICT, VERSION, Layout

_HEAD = np.dtype(
    [
        ("version", "u1"), ("state", "u1"), ("columns", "<u2"), ("stamps", "<u2"), ("verdicts", "<u2"),
        ("number", "<u4"),
    ]
)  # fmt: skip
"""``HEADER`` as numpy reads it."""
_KNOWN_STATES = list(STATES)


@dataclass(frozen=True, slots=True)
class OpenedRows:
    """Sound rows of one layout; columns are signals first, then results, as the layout names them."""

    layout: Layout
    places: NDArray[np.int64]
    """Which of the given rows they are, shape (rows,)."""
    state: NDArray[np.int64]
    """Numbers of operating states, shape (rows,)."""
    codes: NDArray[np.int64]
    """OPC UA status codes, shape (rows, columns)."""
    reasons: list[dict[int, str]]
    """By row, by column: why it is less than good; rows share them."""
    _raw: NDArray[np.uint8]
    _stamps: int

    def values(self) -> NDArray[np.float64]:
        """Return the values [SI], shape (rows, columns); NaN where there is none."""
        return self._part(HEADER.size, self.layout.columns, "<f8")

    def uncertainties(self) -> NDArray[np.float64]:
        """Return standard uncertainties [SI], shape (rows, columns); NaN where there is none."""
        results, columns = len(self.layout.results), self.layout.columns
        spread = np.full((len(self.places), columns), np.nan)
        spread[:, columns - results :] = self._part(HEADER.size + 8 * columns, results, "<f4")
        return spread

    def source_times(self) -> NDArray[np.float64]:
        """Return the source's times of the signals [POSIX s], shape (rows, columns); NaN for results."""
        signals, at = len(self.layout.signals), self.layout.stamps_at
        times = np.full((len(self.places), self.layout.columns), np.nan)
        pairs = self._part(at, 2 * self._stamps, "<f8")[:, ::2]
        if self._stamps > 1:
            shared = self._part(at + 16 * self._stamps, signals, "<u2").astype(np.int64)
            pairs = np.take_along_axis(pairs, shared, axis=1)
        times[:, :signals] = pairs
        return times

    def _part(self, at: int, count: int, kind: str) -> NDArray[Any]:
        size = count * np.dtype(kind).itemsize
        return np.ascontiguousarray(self._raw[:, at : at + size]).view(kind)


def open_rows(layout: Layout, bodies: Sequence[bytes]) -> Iterator[OpenedRows]:
    """Yield the rows that match their check sum and their layout; the others are in none of what comes."""
    by_length: dict[int, list[int]] = {}
    for place, body in enumerate(bodies):
        if isinstance(body, bytes):  # of a damaged file it may be anything
            by_length.setdefault(len(body), []).append(place)
    for length, places in by_length.items():
        if length >= layout.stamps_at + CHECK.size:
            yield from _of_one_length(layout, [bodies[place] for place in places], np.array(places))


def _of_one_length(layout: Layout, bodies: list[bytes], places: NDArray[np.int64]) -> Iterator[OpenedRows]:
    raw = np.frombuffer(b"".join(bodies), np.uint8).reshape(len(bodies), -1)
    sums = np.fromiter((zlib.crc32(body[: -CHECK.size]) for body in bodies), np.uint32, len(bodies))
    head = np.ascontiguousarray(raw[:, : HEADER.size]).view(_HEAD)[:, 0]
    sound = (
        (sums == np.ascontiguousarray(raw[:, -CHECK.size :]).view("<u4")[:, 0])
        & (head["version"] == VERSION)
        & (head["columns"] == layout.columns)
        & np.isin(head["state"], _KNOWN_STATES)
    )
    for stamps in np.unique(head["stamps"][sound]).tolist():
        chosen = np.flatnonzero(sound & (head["stamps"] == stamps))
        at = layout.stamps_at + 16 * stamps + (2 * len(layout.signals) if stamps > 1 else 0)
        counts = head["verdicts"][chosen].tolist()
        told = [(bodies[row][at : -CHECK.size], n) for row, n in zip(chosen.tolist(), counts, strict=True)]
        number = {each: at for at, each in enumerate(dict.fromkeys(told))}
        verdicts = [_verdicts(part, count, layout.columns) for part, count in number]
        which = [number[each] for each in told]
        yield OpenedRows(
            layout,
            places[chosen],
            head["state"][chosen].astype(np.int64),
            np.array([codes for codes, _ in verdicts], np.int64)[which],
            [verdicts[each][1] for each in which],
            raw if len(chosen) == len(raw) else raw[chosen],
            stamps,
        )


@functools.lru_cache(maxsize=4096)
def _verdicts(part: bytes, count: int, columns: int) -> tuple[list[int], dict[int, str]]:
    """Read a row's part of that name: status code of every column, and reasons where there are any."""
    at, found = 0, []
    for _ in range(count):
        code, length = VERDICT.unpack_from(part, at)
        at += VERDICT.size
        found.append((code, part[at : at + length].decode()))
        at += length
    chosen = struct.unpack_from(f"<{columns}H", part, at) if count > 1 else (0,) * columns
    each = [found[index] for index in chosen]
    return [code for code, _ in each], {place: text for place, (_, text) in enumerate(each) if text}
