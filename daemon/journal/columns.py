"""Stored series by name, and what the archive needs to know of each: quantity, unit, how fine it is kept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from config.loader import configuration_hash, unit_context
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.site import DehydrationUnit, Site
from config.units import UNIT_SYSTEMS, display_units
from daemon.monitor.specs import SignalSpec, signal_specs

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


def catalogue_of(site: Site) -> Catalogue:
    """Collect the facts of a site's columns.

    A signal is kept at its resolution: the step of its register, or the one that the site file gives. A
    result is kept at about a tenth of the last digit in which either unit system shows its quantity, which
    is far below its uncertainty. A signal without a resolution is kept as it is.
    """
    finest = _finest_steps(site)
    facts: dict[tuple[str, Column], ColumnFacts] = {}
    for unit in site.units:
        for name, spec in signal_specs(site, unit).items():
            facts[unit.name, Column("signal", name)] = _signal_facts(unit, spec)
        for name, kind in RESULT_KINDS.items():
            facts[unit.name, Column("result", name)] = ColumnFacts(
                Grain(finest[kind.quantity]),
                kind.quantity.value,
                SI_SYMBOLS.get(kind.quantity, ""),
                kind.description,
            )
    return Catalogue(configuration_hash(site), facts)


def _signal_facts(unit: DehydrationUnit, spec: SignalSpec) -> ColumnFacts:
    signal = unit.signals[spec.name]
    kind = SIGNAL_KINDS.get(spec.name)
    grain = None
    if spec.resolution is not None:
        # From the raw zero on, so that a whole-number register comes back as it was read.
        grain = Grain(spec.resolution, spec.conversion.to_si(signal.offset))
    elif spec.quantity in {Quantity.STATE, Quantity.COUNT}:
        grain = Grain(1.0)
    description = signal.description or (kind.description if kind else "")
    return ColumnFacts(grain, spec.quantity.value, SI_SYMBOLS.get(spec.quantity, ""), description)


def _finest_steps(site: Site) -> dict[Quantity, float]:
    context = unit_context(site)
    shown = [display_units(system, context) for system in UNIT_SYSTEMS]
    return {
        quantity: _round_down(
            min(10.0 ** -each[quantity].decimals * abs(each[quantity].conversion.factor) for each in shown)
            / 10
        )
        for quantity in shown[0]
    }


def _round_down(step: float) -> float:
    """Return the next lower 1, 2 or 5 times a power of ten."""
    power: float = 10.0 ** math.floor(math.log10(step) + 1e-9)
    return max(digit * power for digit in (1.0, 2.0, 5.0) if digit * power <= step * (1 + 1e-9))
