"""Outcomes of an invented unit, for whatever comes after the monitor."""

from __future__ import annotations

import math

from daemon.model import (
    AlarmState,
    AlarmTransition,
    Event,
    OperatingState,
    Outcome,
    Priority,
    Reading,
    Result,
    Status,
)

BAD_LINK = (Status.BAD_NO_COMMUNICATION, "no answer from plc-1 since 09:15:02")


def outcome(
    number: int,
    *,
    unit: str = "north",
    time: float | None = None,
    monotonic: float | None = None,
    alarms: tuple[AlarmTransition, ...] = (),
    events: tuple[Event, ...] = (),
    checkpoint: str | None = None,
    bad: bool = False,
    columns: tuple[int, int] = (3, 2),
    values: bool = True,
) -> Outcome:
    """One step of a unit at one scan a second, with a little of everything in its readings."""
    time = 1_700_000_000.0 + number if time is None else time
    monotonic = 1000.0 + number if monotonic is None else monotonic
    signals: dict[str, Reading] = {}
    results: dict[str, Result] = {}
    if values:
        for index in range(columns[0]):
            if bad and index == 0:
                signals[f"signal_{index}"] = Reading(
                    None, BAD_LINK[0], time - 7.25, monotonic - 7.25, BAD_LINK[1]
                )
            else:
                value = 300.0 + index + 10.0 * math.sin(number / 50.0 + index)
                signals[f"signal_{index}"] = Reading(value, Status.GOOD, time - 0.125, monotonic - 0.125)
        for index in range(columns[1]):
            results[f"result_{index}"] = Result(number / 8.0 + index, 0.5, Status.GOOD)
    return Outcome(
        unit, number, time, monotonic, OperatingState.DRYING, signals, results, alarms, events, checkpoint
    )


def transition(
    number: int, *, unit: str = "north", alarm: str = "reboiler_high", actor: str = ""
) -> AlarmTransition:
    """An alarm transition whose occurrence is unique for its number."""
    return AlarmTransition(
        unit,
        alarm,
        f"{alarm}-{number}",
        AlarmState.NORMAL,
        AlarmState.UNACKNOWLEDGED,
        "condition came true",
        1_700_000_000.0 + number,
        Priority.HIGH,
        "Reboiler is too hot – 204.5 °C",
        "above set point for 30 s",
        value=477.65,
        setpoint=477.15,
        quantity="temperature",
        actor=actor,
    )


def event(number: int, *, unit: str = "north", kind: str = "counter reset") -> Event:
    """An event that carries its number."""
    return Event(unit, kind, 1_700_000_000.0 + number, f"event {number}", {"number": number, "spread": 0.25})
