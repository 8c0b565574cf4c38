"""Report by exception for the archive: a value is held until one comes that is too far from it; pure.

A signal with a deadband is written as a column like any other, a value in every row, of which most repeat the
one above and cost next to nothing once compressed. What is written is never farther from the value that was
measured than the deadband. A value is written anew, as near as the column's resolution allows,

* where it leaves the band around the one that is held,
* where its status changes, and after a time without a value,
* after a gap between scans, and at the beginning of every file.

The journal, replay and cursors have every value as it was, and statistics over minutes and hours are made of
those: they know nothing of deadbands.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daemon.journal.blocks import Block
from daemon.journal.columns import Column, ColumnFacts, Grain
from daemon.journal.summaries import Floats

GAP = 1.5
"""A pause of so many usual ones between two scans is a gap."""


class Holder:
    """Holds values over the blocks of one file.

    Parameters
    ----------
    known : mapping of Column to ColumnFacts
        The columns of every block, in their order.
    """

    def __init__(self, known: Mapping[Column, ColumnFacts]) -> None:
        self._held = [
            (at, _Held(facts.deadband, facts.grain))
            for at, facts in enumerate(known.values())
            if facts.deadband is not None
        ]
        self._last, self._usual = -math.inf, math.inf

    def held(self, block: Block) -> Block:
        """Return a block as it is written; the same one where nothing is held."""
        if not self._held or not len(block):
            return block
        values, gaps = block.values.copy(), self._gaps(block.time)
        for at, column in self._held:
            values[:, at] = column.follow(block.values[:, at], block.codes[:, at], gaps)
        return replace(block, values=values)

    def _gaps(self, time: Floats) -> NDArray[np.bool_]:
        """Say which scans come after a gap."""
        pauses = np.diff(time, prepend=self._last)
        if len(pauses) > 1:
            self._usual = float(np.median(pauses[1:]))
        self._last = float(time[-1])
        return pauses > GAP * self._usual


class _Held:
    """One column's held value."""

    def __init__(self, deadband: float, grain: Grain | None) -> None:
        self._deadband, self._grain = deadband, grain
        self._value, self._code = math.nan, -1

    def follow(self, values: Floats, codes: NDArray[np.int64], gaps: NDArray[np.bool_]) -> Floats:
        """Return what is written for a column's values [SI]."""
        changed = gaps | (np.diff(codes, prepend=self._code) != 0)
        if self._grain is None:
            nearest = values
        else:  # in the words in which a reader works it out, so that the bound holds to the last bit
            number = np.rint((values - self._grain.origin) / self._grain.step)
            nearest = number * self._grain.step + self._grain.origin
        held, deadband, written = self._value, self._deadband, []
        for value, near, anew in zip(values.tolist(), nearest.tolist(), changed.tolist(), strict=True):
            # Where nothing is held or nothing came, the comparison is false.
            if anew or not abs(value - held) <= deadband:
                held = near
            written.append(held)
        self._value, self._code = held, int(codes[-1])
        return np.array(written)
