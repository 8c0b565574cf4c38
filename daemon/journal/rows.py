"""The words in which single stored values are told. Named tuples: long answers hold many thousands."""

from __future__ import annotations

from typing import NamedTuple

from daemon.model import OperatingState, Quality, Status


class Sample(NamedTuple):
    """One stored value [SI]; ``time`` is the source's own for signals, the scan's for results."""

    value: float | None
    uncertainty: float | None
    status: Status
    reason: str
    time: float

    @property
    def quality(self) -> Quality:
        """Severity of the status."""
        return self.status.quality


class Row(NamedTuple):
    """The asked columns of one scan; a sample is ``None`` where the column did not exist then."""

    sequence: int
    time: float
    state: OperatingState
    samples: tuple[Sample | None, ...]
