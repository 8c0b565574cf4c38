"""Many stored scan rows at once, as arrays: for statistics and for the archive.

``ScanRow`` opens one row; here all rows of one layout in a page are laid into arrays together, which costs a
tenth. The check sum of every row is still looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.journal.batches import open_rows
from daemon.journal.columns import Column
from daemon.journal.packing import STATES, DamagedRow, Layout
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
    state, kept = np.zeros(len(scans), np.int64), np.zeros(len(scans), bool)
    time = np.array([scan[1] for scan in scans], np.float64)
    reasons: list[dict[int, str]] = [{} for _ in scans] if everything else []
    for number in {scan[2] for scan in scans}:
        rows = np.array([at for at, scan in enumerate(scans) if scan[2] == number])
        try:
            layout = layout_of(number)
        except DamagedRow:
            continue
        place = {column: at for at, column in enumerate(columns_of(layout))}
        wanted = [(to, place[column]) for to, column in enumerate(columns) if column in place]
        to, source = (np.array([pair[side] for pair in wanted], np.int64) for side in (0, 1))
        for opened in open_rows(layout, [scans[row][3] for row in rows.tolist()]):
            found = rows[opened.places]
            kept[found] = True
            state[found] = opened.state
            into = np.ix_(found, to)
            values[into] = opened.values()[:, source]
            codes[into] = opened.codes[:, source]
            if not everything:
                continue
            uncertainty[into] = opened.uncertainties()[:, source]
            age[into] = time[found, None] - opened.source_times()[:, source]
            for row, told in zip(found.tolist(), opened.reasons, strict=True):
                if told:
                    reasons[row] = {here: told[there] for here, there in wanted if there in told}
    block = Block(
        np.array([scan[0] for scan in scans], np.int64), time, state, values, codes, uncertainty, age,
        reasons, int(len(scans) - kept.sum()),
    )  # fmt: skip
    return block if kept.all() else _without(block, kept)


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
