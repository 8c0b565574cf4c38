"""First-out: of alarms that come together, which came first.

Within a group, alarms whose conditions begin within a window belong to one sequence. The one whose
condition began first by the time of its source is marked; the others name it. Where two begin closer
together than clocks and scans can tell, neither is marked: a wrong first cause is worse than none.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

WINDOW = 10.0
"""Alarms whose conditions begin within this time belong to one sequence [s]."""
TIE = 0.05
"""Conditions that begin closer together than this have no known order [s]."""


class Sequence(NamedTuple):
    """The sequence that a group is in: its first alarm (empty when the order is unknown) and its begin."""

    alarm: str
    began: float


class Rank(NamedTuple):
    """What one alarm of a group is told: whether it was first, and words for its reason."""

    first: bool
    note: str


class FirstOut:
    """Remembers for each group which alarm came first."""

    __slots__ = ("sequences",)

    def __init__(self) -> None:
        self.sequences: dict[str, Sequence] = {}

    def rank(self, group: str, raised: Iterable[tuple[float, str]]) -> dict[str, Rank]:
        """Rank the alarms of one group that are raised at one instant.

        Parameters
        ----------
        group : str
            Name of the first-out group.
        raised : iterable of (float, str)
            Source time at which the condition began [POSIX s], and alarm id.
        """
        order = sorted(raised)
        sequence = self.sequences.get(group)
        if sequence is None or order[0][0] - sequence.began > WINDOW:
            tied = len(order) > 1 and order[1][0] - order[0][0] < TIE
            sequence = Sequence("" if tied else order[0][1], order[0][0])
            self.sequences[group] = sequence
        return {alarm: self._rank_one(alarm, began, group, sequence) for began, alarm in order}

    @staticmethod
    def _rank_one(alarm: str, began: float, group: str, sequence: Sequence) -> Rank:
        if not sequence.alarm:
            return Rank(first=False, note=f"order within {group} unknown")
        if alarm == sequence.alarm:
            return Rank(first=True, note=f"first of {group}")
        if began < sequence.began:
            return Rank(
                first=False,
                note=f"began {sequence.began - began:.1f} s before {sequence.alarm}, raised after it",
            )
        return Rank(first=False, note=f"{began - sequence.began:.1f} s after {sequence.alarm}")
