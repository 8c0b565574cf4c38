"""The words in which statistics over time buckets are told. Named tuples: answers hold many thousands."""

from __future__ import annotations

from typing import NamedTuple

from daemon.model import Quality


class Statistics(NamedTuple):
    """One column over one bucket [SI]. ``count`` is how many usable values entered."""

    mean: float | None
    minimum: float | None
    maximum: float | None
    last: float | None
    worst: Quality
    count: int  # type: ignore[assignment]  # hides a method of tuples that nobody asks of statistics


class Bucket(NamedTuple):
    """All asked columns over one bucket from ``start`` on; ``None`` where a column did not exist."""

    start: float
    scans: int
    statistics: tuple[Statistics | None, ...]
