"""Outcomes with their places in the journal, from the moment they are numbered until they are stored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.model import AlarmTransition, Entry, Event, Outcome, ScanRecord


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """An outcome and the sequence number of its first entry.

    The scan comes first, then the alarm transitions in order, then the events.
    """

    outcome: Outcome
    first: int

    @property
    def has_scan(self) -> bool:
        """Whether the outcome came with values."""
        return bool(self.outcome.signals or self.outcome.results)

    @property
    def has_records(self) -> bool:
        """Whether there is something in it that a power cut must not undo."""
        return bool(self.outcome.alarms or self.outcome.events)

    @property
    def length(self) -> int:
        """How many numbers it takes."""
        return self.has_scan + len(self.outcome.alarms) + len(self.outcome.events)

    @property
    def last(self) -> int:
        """Sequence of the last entry; one less than ``first`` when there are none."""
        return self.first + self.length - 1

    def records(self) -> Iterator[tuple[int, AlarmTransition | Event]]:
        """Transitions and events with their sequences."""
        yield from enumerate((*self.outcome.alarms, *self.outcome.events), start=self.first + self.has_scan)

    def entries(self) -> Iterator[Entry]:
        """Return what a reader of the journal will find of it."""
        outcome = self.outcome
        if self.has_scan:
            record = ScanRecord(outcome.unit, outcome.time, outcome.state, outcome.signals, outcome.results)
            yield Entry(self.first, outcome.unit, outcome.time, record)
        for sequence, body in self.records():
            yield Entry(sequence, body.unit, body.time, body)
