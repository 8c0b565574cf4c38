"""Entries of the log book that the calculation acts on, and what it says of them. Pure."""

from __future__ import annotations

from collections.abc import Callable

from config.quantities import Quantity
from daemon.model import Event
from daemon.monitor.purity_correction import PurityCorrection

LAB_SAMPLE = "lab sample"
"""Kind of the event of a sample."""
MAINTENANCE = "maintenance"
"""Kind of the event of a piece of work."""
ENTRIES = frozenset({LAB_SAMPLE, MAINTENANCE})
LEAN_PURITY = "lean purity"
"""Kind of the event that says what a sample did, or did not do, to the calculated purity."""
GLYCOL_CHANGE = "glycol change"
CALIBRATION = "instrument calibration"
"""Work that makes earlier samples say nothing: another glycol, or another thermometer."""

Write = Callable[[Quantity, float], str]


def take_entry(entry: Event, purity: PurityCorrection, write: Write) -> tuple[Event, ...]:
    """Let an entry act on the calculated purity; return the event that says what it did, if anything.

    Parameters
    ----------
    entry : Event
        Of kind ``LAB_SAMPLE`` or ``MAINTENANCE``, with the data that ``daemon.logbook`` gives it.
    purity : PurityCorrection
        The unit's.
    write : callable
        Writes a value in the site's unit.
    """
    if entry.kind == LAB_SAMPLE and entry.data.get("lean_water") is not None:
        return (_sampled(entry, purity, write),)
    if entry.kind == MAINTENANCE and entry.data.get("work") in {GLYCOL_CHANGE, CALIBRATION}:
        if not purity.forget(_number(entry, "done"), entry.time):
            return ()
        message = f"lean purity is calculated without samples again: {entry.data['work']}; draw a new sample"
        return (Event(entry.unit, LEAN_PURITY, entry.time, message, {"factor": 1.0}),)
    return ()


def _sampled(entry: Event, purity: PurityCorrection, write: Write) -> Event:
    taken, water = _number(entry, "taken"), _number(entry, "lean_water")
    answer = purity.take(taken, water, entry.time)
    lab = write(Quantity.MASS_FRACTION, water)
    data: dict[str, str | float | int | bool | None] = {"taken": taken, "lean_water": water}
    data |= {"calculated_water": answer.calculated, "used": not answer.complaint}
    compared = ""
    if answer.calculated is not None:
        compared = f" where {write(Quantity.MASS_FRACTION, answer.calculated)} was calculated"
    if answer.complaint:
        doubt = "; draw another sample: two that agree are believed" if answer.doubted else ""
        message = f"the sample with {lab} of water{compared} is not used: {answer.complaint}{doubt}"
        return Event(entry.unit, LEAN_PURITY, entry.time, message, {**data, "doubted": answer.doubted})
    correction = purity.correction
    assert correction is not None  # noqa: S101 - a sample that is used makes one
    data |= {"factor": correction.factor, "uncertainty": correction.uncertainty}
    message = (
        f"the sample with {lab} of water{compared} corrects the lean purity: "
        f"{correction.factor:.2f} times the calculated water (standard uncertainty "
        f"{100.0 * correction.uncertainty:.0f} %)"
    )
    return Event(entry.unit, LEAN_PURITY, entry.time, message, data)


def _number(entry: Event, name: str) -> float:
    value = entry.data[name]
    if not isinstance(value, int | float):
        raise TypeError(f"{entry.kind}: {name} is {value!r}, not a number")
    return float(value)
