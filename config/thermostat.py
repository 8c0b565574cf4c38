"""How far a burner's thermostat lets the reboiler swing, and what set point is too hot for any glycol."""

from __future__ import annotations

THERMOSTAT_BAND = 3.0
"""A thermostat keeps the reboiler within so much of its set point [K]; common practice, no source."""

BREAKDOWN = (404.0 - 32.0) / 1.8 + 273.15
"""TEG breaks down from 404 degF (206.7 degC) [K]: handbook value, from memory; the packaged high-high."""


def too_hot(set_point: float) -> bool:
    """Whether a reboiler's set point [K] lies where TEG breaks down: no margin and no alarm is left then."""
    return set_point >= BREAKDOWN - 1e-6
