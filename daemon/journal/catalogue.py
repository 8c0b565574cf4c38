"""From a site to what the archive needs to know of its columns."""

from __future__ import annotations

import math

from config.loader import configuration_hash, unit_context
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.site import DehydrationUnit, Site
from config.units import UNIT_SYSTEMS, display_units
from daemon.journal.columns import SI_SYMBOLS, Catalogue, Column, ColumnFacts, Grain
from daemon.monitor.specs import SignalSpec, signal_specs


def catalogue_of(site: Site) -> Catalogue:
    """Collect the facts of a site's columns.

    A signal is kept at its resolution: the step of its register, or the one that the site file gives. A
    result is kept at about a tenth of the last digit in which either unit system shows its quantity, which
    is far below its uncertainty. A signal without a resolution is kept as it is, one with a deadband to a
    tenth of that.
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
    deadband = signal.storage_deadband and signal.storage_deadband * abs(spec.conversion.factor)
    if deadband is not None and grain is None:
        grain = Grain(_round_down(deadband / 10))
    description = signal.description or (kind.description if kind else "")
    return ColumnFacts(grain, spec.quantity.value, SI_SYMBOLS.get(spec.quantity, ""), description, deadband)


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
