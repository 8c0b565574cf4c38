"""Clocks that stand still until a test moves them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class FakeClock:
    """A wall clock and a monotonic clock that a test sets and moves by hand."""

    wall_time: float = 1_700_000_000.0
    monotonic_time: float = 1000.0

    def wall(self) -> float:
        return self.wall_time

    def monotonic(self) -> float:
        return self.monotonic_time

    def advance(self, seconds: float) -> None:
        self.wall_time += seconds
        self.monotonic_time += seconds
