"""Stored series by name, and what the archive needs to know of each: quantity, unit, how fine it is kept."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from daemon.journal.errors import NotStored

SI_SYMBOLS: Mapping[Quantity, str] = {
    Quantity.TEMPERATURE: "K", Quantity.TEMPERATURE_DIFFERENCE: "K",
    Quantity.PRESSURE: "Pa", Quantity.PRESSURE_DIFFERENCE: "Pa",
    Quantity.GAS_RATE: "Sm3/s", Quantity.LIQUID_RATE: "m3/s", Quantity.MASS_RATE: "kg/s",
    Quantity.STROKE_RATE: "/s", Quantity.STROKE_COUNT: "strokes",
    Quantity.WATER_CONTENT: "kg/Sm3", Quantity.MASS_FRACTION: "kg/kg",
    Quantity.CIRCULATION_RATIO: "m3/kg", Quantity.GAS_LIQUID_RATIO: "Sm3/m3",
    Quantity.POWER: "W", Quantity.LENGTH: "m", Quantity.VOLUME: "m3", Quantity.DURATION: "s",
    Quantity.DENSITY: "kg/m3", Quantity.VISCOSITY: "Pa·s", Quantity.HEAT_FLUX: "W/m2",
}  # fmt: skip
"""Units in which values are stored, as people write them."""


@dataclass(frozen=True, slots=True, order=True)
class Column:
    """One stored series of a unit: a measured signal or a calculated result. The two may share a name."""

    kind: Literal["signal", "result"]
    name: str

    def __str__(self) -> str:
        return f"{self.kind}:{self.name}"


def resolve(unit: str, names: Sequence[str], known: Sequence[Column]) -> list[Column]:
    """Find columns of a unit by name: ``signal:x``, ``result:x``, or ``x`` for all of that name.

    Raises
    ------
    NotStored
        A name that none of the known columns has; the message says which was probably meant.
    """
    found: dict[Column, None] = {}
    for name in names:
        matches = [column for column in known if name in {column.name, str(column)}]
        if not matches:
            raise NotStored(_no_values_of(unit, name, known))
        found |= dict.fromkeys(matches)
    return list(found)


def _no_values_of(unit: str, name: str, known: Sequence[Column]) -> str:
    """Say that a unit has no such values: which are near, or which there are."""
    names = sorted({column.name for column in known})
    near = difflib.get_close_matches(name.partition(":")[2] or name, names, n=3)
    if near:
        return f"{unit} has no values called {name}; did you mean {' or '.join(near)}?"
    return f"{unit} has no values called {name}; there are: {', '.join(names)}"


@dataclass(frozen=True, slots=True)
class Grain:
    """How fine a column is kept in the archive: ``value = origin + step * whole number`` [SI]."""

    step: float
    origin: float = 0.0


@dataclass(frozen=True, slots=True)
class ColumnFacts:
    """What is known of a column. Without a ``grain`` its values are kept as they are."""

    grain: Grain | None = None
    quantity: str = ""
    symbol: str = ""
    description: str = ""
    deadband: float | None = None
    """Archived scans hold a value until one comes that is farther from it than this [SI]."""

    @property
    def error_bound(self) -> float:
        """Return how far an archived value may be from the one that was measured [SI]."""
        return max(self.deadband or 0.0, self.grain.step / 2 if self.grain else 0.0)


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The facts of every column of every unit, and the configuration that they come from."""

    configuration: str = ""
    facts: Mapping[tuple[str, Column], ColumnFacts] | None = None

    def of(self, unit: str, column: Column) -> ColumnFacts:
        """Return the facts of a column; those of one that the configuration does not know are few."""
        known = (self.facts or {}).get((unit, column))
        if known is not None:
            return known
        kind = (SIGNAL_KINDS if column.kind == "signal" else RESULT_KINDS).get(column.name)
        if kind is None:
            return ColumnFacts()
        return ColumnFacts(None, kind.quantity.value, SI_SYMBOLS.get(kind.quantity, ""), kind.description)
