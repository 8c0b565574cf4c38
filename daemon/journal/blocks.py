"""Many stored scan rows at once, as arrays: for statistics and for the archive.

``ScanRow`` opens one row; here all rows of one layout in a page are laid into arrays together, which costs a
tenth. The check sum of every row is still looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.journal.columns import Column
from daemon.journal.packing import HEADER, STATES, DamagedRow, Layout, OpenedRow
from daemon.journal.summaries import NOT_STORED, Floats, Integers

StoredScan = tuple[int, float, int, bytes]
"""Sequence, time [POSIX s], number of the layout, body."""


@dataclass(frozen=True, slots=True)
class Block:
    """Stored scans as arrays of shape (rows,) and (rows, columns), in SI."""

    sequence: Integers
    time: Floats
    state: Integers
    """Number of the operating state, as rows keep it."""
    values: Floats
    """NaN where there is none."""
    codes: Integers
    """OPC UA status codes; ``NOT_STORED`` where the column did not exist."""
    uncertainty: Floats
    """Standard uncertainty of results; NaN where there is none."""
    age: Floats
    """Scan time less the source's time of a signal [s]; NaN for results."""
    reasons: list[dict[int, str]]
    """By row, by column: why it is less than good; only where something is."""
    damaged: int
    """Rows that did not match their check sum and were left out."""

    def __len__(self) -> int:
        return len(self.time)


def columns_of(layout: Layout) -> list[Column]:
    """Return the columns of a layout in the order of its rows."""
    found = [Column("signal", name) for name in layout.signals]
    return found + [Column("result", name) for name in layout.results]


def read_block(
    scans: Sequence[StoredScan],
    layout_of: Callable[[int], Layout],
    columns: Sequence[Column],
    *,
    everything: bool,
) -> Block:
    """Lay stored scans into arrays.

    Parameters
    ----------
    scans : sequence of StoredScan
        In the order in which they are wanted.
    layout_of : callable
        Returns a layout by its number; raises ``DamagedRow`` where it is missing.
    columns : sequence of Column
        Which columns.
    everything : bool
        Whether uncertainties, ages and reasons are wanted too.
    """
    shape = (len(scans), len(columns))
    values, codes = np.full(shape, np.nan), np.full(shape, NOT_STORED, np.int64)
    uncertainty, age = (np.full(shape if everything else (len(scans), 0), np.nan) for _ in range(2))
    state, kept = np.zeros(len(scans), np.int64), np.ones(len(scans), bool)
    reasons: list[dict[int, str]] = [{} for _ in scans] if everything else []
    for number in {scan[2] for scan in scans}:
        rows = [at for at, scan in enumerate(scans) if scan[2] == number]
        try:
            layout = layout_of(number)
        except DamagedRow:
            kept[rows] = False
            continue
        place = {column: at for at, column in enumerate(columns_of(layout))}
        wanted = [(to, place[column]) for to, column in enumerate(columns) if column in place]
        opened, sound = _opened(rows, scans, layout, kept)
        if not sound or not wanted:
            state[sound] = [row.state for row in opened]
            continue
        to, source = (np.array(side) for side in zip(*wanted, strict=True))
        into = np.ix_(np.array(sound), to)
        size, signals = layout.stamps_at - HEADER.size, len(layout.signals)
        raw = np.frombuffer(b"".join(row.numbers for row in opened), np.uint8).reshape(-1, size)
        numbers = np.ascontiguousarray(raw[:, : 8 * layout.columns]).view("<f8")
        values[into] = numbers[:, source]
        state[sound] = [row.state for row in opened]
        codes[into] = np.array([row.codes for row in opened], np.int64)[:, source]
        if everything:
            spread = np.full((len(sound), layout.columns), np.nan)
            spread[:, signals:] = np.ascontiguousarray(raw[:, 8 * layout.columns :]).view("<f4")
            uncertainty[into] = spread[:, source]
            stamps = np.full((len(sound), layout.columns), np.nan)
            stamps[:, :signals] = [row.source_times() for row in opened]
            age[into] = np.array([scans[at][1] for at in sound])[:, None] - stamps[:, source]
            for at, row in zip(sound, opened, strict=True):
                if row.reasons:
                    reasons[at] = {to: row.reasons[source] for to, source in wanted if source in row.reasons}
    block = Block(
        np.array([scan[0] for scan in scans], np.int64),
        np.array([scan[1] for scan in scans], np.float64),
        state, values, codes, uncertainty, age, reasons, int(len(scans) - kept.sum()),
    )  # fmt: skip
    return block if kept.all() else _without(block, kept)


def _opened(
    rows: Iterable[int], scans: Sequence[StoredScan], layout: Layout, kept: NDArray[np.bool_]
) -> tuple[list[OpenedRow], list[int]]:
    opened: list[OpenedRow] = []
    sound: list[int] = []
    for at in rows:
        try:
            opened.append(OpenedRow(layout, scans[at][3]))
        except DamagedRow:
            kept[at] = False
        else:
            sound.append(at)
    return opened, sound


def _without(block: Block, kept: NDArray[np.bool_]) -> Block:
    return Block(
        block.sequence[kept],
        block.time[kept],
        block.state[kept],
        block.values[kept],
        block.codes[kept],
        block.uncertainty[kept],
        block.age[kept],
        [reason for reason, keep in zip(block.reasons, kept, strict=False) if keep],
        block.damaged,
    )


def state_name(number: int) -> str:
    """Return the operating state of a number as rows keep it."""
    return STATES[number].value
