"""Setpoints as a site file writes them: a number with unit, or relative to something known of the unit.

Grammar::

    setpoint  = term [("+" | "-") quantity] {", at least " quantity | ", at most " quantity}
    term      = quantity | [factor "*"] name
    quantity  = number unit                     "404 degF", "2 gal/lb", "0.5 psi"

``name`` is a value of the site file (``SITE_VALUES``), a result or a signal of the unit. What is added to a
temperature or pressure is a difference: "reboiler_set_point + 15 degF" is 15 degrees above it.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from config.alarms import SetPoint
from config.quantities import Quantity
from config.site import DehydrationUnit
from config.units import UnitContext, UnitError, parse_quantity

GIVEN_BY_THE_SITE = "given by the site"
"""A packaged alarm for which no number holds everywhere; without a site's own setpoint it is switched off."""

_DIFFERENCE = {
    Quantity.TEMPERATURE: Quantity.TEMPERATURE_DIFFERENCE,
    Quantity.PRESSURE: Quantity.PRESSURE_DIFFERENCE,
}
_TERM = re.compile(r"(?:(?P<factor>\d+\.?\d*)\s*\*\s*)?(?P<name>[a-z][a-z0-9_]*)")
_SUM = re.compile(r"(?P<term>[^+,]*?)(?:\s+(?P<sign>[+-])\s+(?P<shift>[^,]*))?")
_BOUND = re.compile(r"\s*at (?P<side>least|most)\s+(?P<quantity>.*)")


class SetPointError(ValueError):
    """A setpoint that cannot be used; ``fix`` says what would do."""

    def __init__(self, message: str, fix: str) -> None:
        super().__init__(message)
        self.fix = fix


class MissingValueError(LookupError):
    """A setpoint that names a value of the site file which this site does not give."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a setpoint of one unit may name: site values (``None`` where not given), signals and results."""

    values: Mapping[str, tuple[Quantity, float | None]]
    inputs: Mapping[str, Quantity]


def difference(quantity: Quantity) -> Quantity:
    """Return the quantity of a difference of two values of a quantity."""
    return _DIFFERENCE.get(quantity, quantity)


def pump_stopped_after(lowest_rate: float) -> float:
    """Return the time without a stroke after which a pump counts as stopped [s].

    Four strokes that did not come at the lowest rate to be expected [strokes/s], 30 s at least; ours.
    """
    return max(30.0, 4.0 / lowest_rate)


def site_values(unit: DehydrationUnit) -> dict[str, tuple[Quantity, float | None]]:
    """Return the values of the site file that setpoints may name, SI, ``None`` where the site gives none.

    ``pump_stall_rate_set_aside`` is the maker's stall rate where the site has accepted a lower one.
    """
    pump = unit.pump_in_service
    accepted = pump.accepted_stall_rate
    lowest = pump.stall_rate if accepted is None else min(pump.stall_rate, accepted.stroke_rate)
    return {
        "reboiler_set_point": (Quantity.TEMPERATURE, unit.reboiler.set_point),
        "reboiler_least_level": (Quantity.FRACTION, unit.reboiler.least_level),
        "pump_stall_rate": (Quantity.STROKE_RATE, pump.stall_rate),
        "pump_stall_rate_set_aside": (Quantity.STROKE_RATE, pump.stall_rate if accepted else None),
        "pump_maximum_rate": (Quantity.STROKE_RATE, pump.maximum_rate),
        "pump_stopped_after": (Quantity.DURATION, pump_stopped_after(lowest)),
        "minimum_glycol_rate": (Quantity.LIQUID_RATE, unit.contactor.minimum_glycol_rate),
    }


def parse_setpoint(text: str, quantity: Quantity, known: Known, context: UnitContext) -> SetPoint:
    """Read a setpoint of a quantity into SI.

    Raises
    ------
    SetPointError
        The text does not follow the grammar, or a unit or name is of another kind or unknown.
    MissingValueError
        It names a value that this site does not give.
    """
    head, *bounds = text.split(",")
    least, most = _bounds(bounds, quantity, context)
    match = _SUM.fullmatch(head.strip())
    term = _TERM.fullmatch(match["term"].strip()) if match else None
    if match is None or term is None:
        if bounds:
            raise SetPointError(f'"{text}" bounds a fixed number', "write the number alone")
        return SetPoint(_quantity(head, quantity, context))
    shift = _quantity(match["shift"], difference(quantity), context) if match["sign"] else 0.0
    if match["sign"] == "-":
        shift = -shift
    name, factor = term["name"], float(term["factor"] or 1.0)
    if factor != 1.0 and quantity is Quantity.TEMPERATURE:
        raise SetPointError(f'"{text}" multiplies a temperature', 'add a difference, as in "+ 15 degF"')
    relative = SetPoint(shift, name, factor, least, most)
    kind, value = _look_up(name, known)
    if kind is not quantity:
        raise SetPointError(f"{name} is a {kind.value}, not a {quantity.value}", f"name a {quantity.value}")
    return relative if value is None else SetPoint(_fixed(relative, value))


def _look_up(name: str, known: Known) -> tuple[Quantity, float | None]:
    if name in known.values:
        kind, value = known.values[name]
        if value is None:
            raise MissingValueError(name)
        return kind, value
    if name in known.inputs:
        return known.inputs[name], None
    names = sorted({*known.values, *known.inputs})
    close = difflib.get_close_matches(name, names, n=1)
    fix = f'did you mean "{close[0]}"?' if close else f"name one of {', '.join(names)}"
    raise SetPointError(f'"{name}" is no signal, result or site value of this unit', fix)


def _fixed(relative: SetPoint, value: float) -> float:
    return min(max(relative.factor * value + relative.offset, relative.at_least), relative.at_most)


def _bounds(texts: list[str], quantity: Quantity, context: UnitContext) -> tuple[float, float]:
    bounds = {"least": float("-inf"), "most": float("inf")}
    for text in texts:
        match = _BOUND.fullmatch(text)
        if match is None:
            raise SetPointError(
                f'"{text.strip()}" is no bound', 'write ", at most 402 degF" or ", at least ..."'
            )
        bounds[match["side"]] = _quantity(match["quantity"], quantity, context)
    return bounds["least"], bounds["most"]


def _quantity(text: str, quantity: Quantity, context: UnitContext) -> float:
    try:
        return parse_quantity(text, quantity, context)
    except UnitError as error:
        raise SetPointError(str(error), "write a number with its unit or the name of a value") from error
