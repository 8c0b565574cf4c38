"""The whole calculation of one dehydration unit: readings in, results with uncertainty and reasons out."""

from __future__ import annotations

from calc.readings import Design, Readings, Results, Uncertainties

__all__ = ["Design", "Readings", "Results", "Uncertainties", "dominant_source", "evaluate", "reason"]

DEFAULT_UNCERTAINTIES = Uncertainties()


def evaluate(
    readings: Readings, design: Design, uncertainties: Uncertainties = DEFAULT_UNCERTAINTIES
) -> Results:
    """Calculate everything that a unit's day turns on, from one set of readings or from arrays of them."""
    raise NotImplementedError


def reason(results: Results, name: str, row: int | None = None) -> str:
    """Say in words why a result has no value, or why it is uncertain; empty when there is nothing to say."""
    raise NotImplementedError


def dominant_source(results: Results, row: int | None = None) -> str:
    """Name the source of uncertainty that contributes most to the dew-point margin."""
    raise NotImplementedError
