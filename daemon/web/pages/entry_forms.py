"""What the forms of the log book ask for, from the log book's own tables. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.logbook import SAMPLE_FIELDS


@dataclass(frozen=True, slots=True)
class EntryField:
    """One number of a sample, in the unit in which a laboratory reports it."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    factor: float
    """From SI to the unit."""


def sample_fields() -> list[EntryField]:
    """Return the fields of a sample in the order in which they are asked for."""
    return [
        EntryField(
            name,
            field.description[:1].upper() + field.description[1:] if name != "ph" else field.description,
            field.shown.partition("{}")[2].split(" ")[1] if not field.shown.endswith("{}") else "",
            field.lowest * field.factor,
            field.highest * field.factor,
            field.factor,
        )
        for name, field in SAMPLE_FIELDS.items()
    ]


def plain(value: float) -> str:
    """Write a number without needless zeros.

    >>> plain(30.0), plain(0.02)
    ('30', '0.02')
    """
    return f"{value:.10g}"
