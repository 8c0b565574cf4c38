"""What people write into the journal: laboratory samples of the glycol, and maintenance work. Pure.

Both become events of the unit. A sample's values are SI (mass fractions in kg/kg); what was not analysed is
not there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from config.quantities import Quantity
from daemon.model import Event
from daemon.monitor.entries import CALIBRATION, GLYCOL_CHANGE, LAB_SAMPLE, MAINTENANCE

WORK = (
    GLYCOL_CHANGE, "glycol top-up", "filter change", "pump swap", "pump overhaul", CALIBRATION,
    "cleaning", "other",
)  # fmt: skip
"""What can have been done."""


class EntryRefused(ValueError):  # noqa: N818 - says what happened
    """An entry that cannot be right; the message says why, ``field`` which part of it (empty: all of it)."""

    def __init__(self, message: str, field: str = "") -> None:
        super().__init__(message)
        self.field = field


@dataclass(frozen=True, slots=True)
class SampleField:
    """One thing that a laboratory reports."""

    quantity: Quantity
    description: str
    lowest: float
    highest: float
    shown: str
    """How it is written, with ``{}`` for the number."""
    factor: float
    """From SI to what is written."""


_FRACTION = Quantity.MASS_FRACTION
SAMPLE_FIELDS: Mapping[str, SampleField] = {
    "lean_water": SampleField(_FRACTION, "water in the lean glycol", 0.0, 0.30, "lean {} wt% water", 100.0),
    "rich_water": SampleField(_FRACTION, "water in the rich glycol", 0.0, 0.50, "rich {} wt% water", 100.0),
    "ph": SampleField(Quantity.NUMBER, "pH of the lean glycol", 0.0, 14.0, "pH {}", 1.0),
    "chlorides": SampleField(_FRACTION, "chlorides in the lean glycol", 0.0, 0.05, "chlorides {} mg/kg", 1e6),
    "solids": SampleField(_FRACTION, "suspended solids", 0.0, 0.10, "solids {} wt%", 100.0),
}
"""By name. The ranges are wide: beyond them a number is a slip of the pen or of its unit (a proposal of
ours)."""


def sample_event(
    unit: str, taken: float, now: float, values: Mapping[str, float], actor: str, note: str
) -> Event:
    """Make the event of a laboratory sample.

    Parameters
    ----------
    unit : str
        Whose glycol.
    taken : float
        When the sample was drawn [POSIX s].
    now : float
        When it is entered [POSIX s].
    values : mapping
        By name of ``SAMPLE_FIELDS`` [SI].
    actor, note : str
        Who enters it, and a remark.

    Raises
    ------
    EntryRefused
        No value, one out of its range, richer lean than rich glycol, or a time that has not come.
    """
    if not values:
        raise EntryRefused("a sample needs at least one value")
    for name, value in values.items():
        field = SAMPLE_FIELDS[name]
        if not field.lowest <= value <= field.highest:
            low, high = (f"{limit * field.factor:g}" for limit in (field.lowest, field.highest))
            raise EntryRefused(f"{_words(name, value)} cannot be: {name} lies between {low} and {high}", name)
    lean, rich = values.get("lean_water"), values.get("rich_water")
    if lean is not None and rich is not None and lean > rich:
        raise EntryRefused(
            "the lean glycol cannot hold more water than the rich glycol; are the two swapped?", "rich_water"
        )
    _not_to_come(taken, now, "taken")
    listed = ", ".join(_words(name, value) for name, value in values.items())
    message = f"lab sample: {listed}" + (f"; {note}" if note else "")
    data: dict[str, str | float | int | bool | None] = {
        "taken": taken,
        **values,
        "actor": actor,
        "note": note,
    }
    return Event(unit, LAB_SAMPLE, now, message, data)


def maintenance_event(unit: str, work: str, done: float, now: float, actor: str, note: str) -> Event:
    """Make the event of a piece of maintenance work.

    Parameters
    ----------
    unit : str
        Where.
    work : str
        One of ``WORK``.
    done : float
        When it was done [POSIX s].
    now : float
        When it is entered [POSIX s].
    actor, note : str
        Who enters it, and a remark.

    Raises
    ------
    EntryRefused
        Unknown work, ``other`` without a note, or a time that has not come.
    """
    if work not in WORK:
        raise EntryRefused(f'"{work}" is none of: {", ".join(WORK)}', "work")
    if work == "other" and not note:
        raise EntryRefused("other work needs a note that says what was done", "note")
    _not_to_come(done, now, "done")
    message = work + (f"; {note}" if note else "")
    return Event(unit, MAINTENANCE, now, message, {"work": work, "done": done, "actor": actor, "note": note})


def _words(name: str, value: float) -> str:
    field = SAMPLE_FIELDS[name]
    return field.shown.format(f"{value * field.factor:.4g}")


def _not_to_come(time: float, now: float, field: str) -> None:
    if time > now + 60.0:
        raise EntryRefused("that time has not come yet; is the time zone or the year right?", field)
