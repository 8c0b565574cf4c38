"""The words in which statistics over time buckets are told."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.model import Quality


@dataclass(frozen=True, slots=True)
class Statistics:
    """One column over one bucket [SI]. ``count`` is how many usable values entered."""

    mean: float | None
    minimum: float | None
    maximum: float | None
    last: float | None
    worst: Quality
    count: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """All asked columns over one bucket from ``start`` on; ``None`` where a column did not exist."""

    start: float
    scans: int
    statistics: tuple[Statistics | None, ...]
