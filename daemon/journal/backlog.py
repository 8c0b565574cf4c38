"""Outcomes that wait for the disk: bounded, samples give way before records, everything lost is counted."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from daemon.journal.drafts import Draft


@dataclass(slots=True)
class Losses:
    """What had to be dropped since the disk last took everything: numbers by unit, and from when to when."""

    samples: dict[str, int] = field(default_factory=dict)
    records: dict[str, int] = field(default_factory=dict)
    since: float = 0.0
    until: float = 0.0

    def __bool__(self) -> bool:
        return bool(self.samples or self.records)

    def count(self, draft: Draft) -> None:
        """Count a dropped outcome."""
        unit, outcome = draft.outcome.unit, draft.outcome
        self.since = min(self.since, outcome.time) if self else outcome.time
        self.until = max(self.until, outcome.time) if self else outcome.time
        if draft.has_scan:
            self.samples[unit] = self.samples.get(unit, 0) + 1
        if draft.has_records:
            self.records[unit] = self.records.get(unit, 0) + len(outcome.alarms) + len(outcome.events)


class Backlog:
    """Numbered outcomes that are not yet on their way to the file.

    Outcomes with alarm transitions or events wait apart from those with values only, so that a long
    failure of the disk fills the memory with neither, and never lets values push out an alarm.

    Parameters
    ----------
    max_samples : int
        Outcomes with values only that are kept; beyond it the oldest is dropped and counted.
    max_records : int
        Outcomes with alarms or events that are kept; beyond it the oldest is dropped and counted.
    """

    def __init__(self, max_samples: int, max_records: int) -> None:
        self._samples: deque[Draft] = deque()
        self._records: deque[Draft] = deque()
        self._max_samples, self._max_records = max_samples, max_records
        self.losses = Losses()

    def __len__(self) -> int:
        return len(self._samples) + len(self._records)

    def __iter__(self) -> Iterator[Draft]:
        return iter(sorted((*self._samples, *self._records), key=_place))

    @property
    def urgent(self) -> bool:
        """Whether an alarm transition or an event is waiting."""
        return bool(self._records)

    def add(self, draft: Draft) -> list[Draft]:
        """Take an outcome in; return those that had to be dropped for it."""
        (self._records if draft.has_records else self._samples).append(draft)
        return self._trim()

    def take(self, limit: int) -> list[Draft]:
        """Take the oldest outcomes out, in order."""
        taken: list[Draft] = []
        while len(taken) < limit and (self._samples or self._records):
            if not self._samples:
                queue = self._records
            elif not self._records:
                queue = self._samples
            else:
                queue = min(self._samples, self._records, key=lambda waiting: waiting[0].first)
            taken.append(queue.popleft())
        return taken

    def give_back(self, drafts: Sequence[Draft]) -> list[Draft]:
        """Put outcomes back that could not be stored; return those that had to be dropped for it."""
        for draft in reversed(drafts):
            (self._records if draft.has_records else self._samples).appendleft(draft)
        return self._trim()

    def _trim(self) -> list[Draft]:
        dropped = []
        while len(self._samples) > self._max_samples:
            dropped.append(self._samples.popleft())
        while len(self._records) > self._max_records:
            dropped.append(self._records.popleft())
        for draft in dropped:
            self.losses.count(draft)
        return dropped

    def take_losses(self) -> Losses:
        """Return the losses so far and start counting anew."""
        losses, self.losses = self.losses, Losses()
        return losses


def _place(draft: Draft) -> int:
    return draft.first
