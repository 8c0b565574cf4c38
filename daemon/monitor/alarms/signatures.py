"""What each known fault of a TEG unit does to what can be seen: the table that diagnosis reads.

Rows are faults, columns observables; a cell says how the observable moves against its usual value: ``u`` up,
``d`` down, ``n`` stays normal, ``e`` becomes erratic, two letters where either is seen (``n`` also for a move
that comes later or not always), ``.`` where nothing is known. The table is the engineering reference's fault
table (tests hold both against each other); directions are mostly common practice. The rows on pump seals
(US EPA Natural Gas STAR, lessons learned), low circulation, fouled fire tube and misreading thermostat (a
published troubleshooting text) rest on text seen.

The outlet is the *measured* one: a calculated dew point cannot show a fault that the calculation leaves out.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


class Move(enum.StrEnum):
    """How an observable stands against its usual value."""

    UP = "up"
    DOWN = "down"
    STEADY = "as usual"
    ERRATIC = "erratic"


class Observable(enum.StrEnum):
    """What is looked at; the values are the words that an operator reads."""

    REBOILER = "reboiler temperature"
    STROKES = "stroke rate"
    OUTLET = "measured outlet moisture"
    TRAY_DROP = "contactor pressure drop for its gas flow"
    CONTACTOR_LEVEL = "contactor level"
    SURGE_LEVEL = "surge level"
    FLASH_GAS = "flash gas"
    BURNER = "burner on-time"
    STILL_TOP = "still top temperature"
    LEAN_TEMPERATURE = "lean glycol temperature into the contactor"
    FILTER_DROP = "filter pressure drop"
    # What comes from outside; not in the reference's table, see ``_OUTSIDE``.
    GAS_TEMPERATURE = "gas temperature"
    GAS_PRESSURE = "contactor pressure"
    GAS_RATE = "gas rate"


@dataclass(frozen=True, slots=True)
class Signature:
    """One fault: how it shows, and what to look at first."""

    fault: str
    expected: Mapping[Observable, frozenset[Move]]
    check: str
    defining: Observable | None = None
    """What the fault is by definition: while this is as usual, the fault is not there."""


_LETTERS: Final = {"u": Move.UP, "d": Move.DOWN, "n": Move.STEADY, "e": Move.ERRATIC}

_TABLE: Final[tuple[tuple[str, str, str], ...]] = (
    #                               reb str out dp  lvl srg gas bur top lea flt
    (
        "pump check valve stuck or leaking",
        "un nu u n d u u d d d d",
        "Compare the lean glycol delivered with strokes times displacement: strokes normal, delivery low.",
    ),
    (
        "worn pump seals (rich leaks to lean)",
        "n nu u n n n u n n n n",
        "Compare lean purity at the pump discharge with the surge tank: wetter at the discharge.",
    ),
    (
        "low circulation (any cause)",
        "nu d u nd d u ud d d d d",
        "Look at the stroke rate and the firing rate: low together with a rising dew point.",
    ),
    (
        "plugged strainer or filter",
        "n de u d d un d d d d u",
        "Look at the filter pressure drop, listen for pump cavitation.",
    ),
    (
        "over-circulation",
        "nd u nu u u d u u u u u",
        "Compare circulation with the required rate: above 5 gal/lb with nothing gained in dew point.",
    ),
    (
        "foaming in contactor",
        "n n u ue ed d e nd e n nu",
        "Look for glycol in the dry gas filter; the pressure drop is up at an unchanged gas rate.",
    ),
    (
        "contactor flooding",
        "n n u u d d n nd nd n n",
        "Compare gas rate and pressure with the contactor's capacity.",
    ),
    (
        "glycol carry-over / mist loss",
        "n n u nu n d n n n nu n",
        "Compare make-up with earlier months; the moisture reading is not reliable in mist.",
    ),
    (
        "fire-tube fouling / coke or salt",
        "nd n u n n n n u nd n u",
        "Look at firing time and stack temperature for the same duty; look at the glycol's colour and pH.",
    ),
    (
        "burner out",
        "d n nu n n nd n d d d n",
        "Look at the flame signal and the fuel gas. Relight only by the site procedure with its purge.",
    ),
    (
        "reboiler sensor reads high / controller off calibration",
        "n n u n n n n d d d n",
        "Check the reboiler against an independent thermometer.",
    ),
    (
        "flooded still / still packing broken or excess reflux",
        "de n u n n e n u d n n",
        "Look for liquid at the vent, from a safe place, and at the still's back-pressure.",
    ),
    (
        "still top too hot (loss of reflux)",
        "n n n n n d n u u n n",
        "Look at the reflux coil's flow and the stripping gas.",
    ),
    (
        "cold glycol / below gas T",
        "n d u u e e n n n d u",
        "Compare the lean glycol's temperature with the gas: it should be 5 to 15 degF above.",
    ),
    (
        "hot lean glycol",
        "n n u n n d n n n u n",
        "Look at the glycol exchanger and the cooler's fan.",
    ),
    (
        "inlet gas hotter or pressure lower",
        "nd n u u n n n u u u n",
        "Look whether gas temperature or pressure moved first.",
    ),
    (
        "free water or slug carry-over at inlet",
        "d n u u u ud n u u d u",
        "Look at the inlet separator's level and its dump valve.",
    ),
    (
        "hydrocarbon liquids in glycol",
        "e e u u u u u . u n u",
        "Look at the oil level in the flash separator; skim it by the site procedure.",
    ),
)


_OWN: Final[tuple[tuple[str, str, str], ...]] = (
    (
        "burner or fuel valve held on",
        "u n nd n n n n u u nu n",
        "Look whether the burner turns down when the thermostat asks for it; check a second thermometer.",
    ),
)
"""Faults that the reference's table lacks; ours, by the heat balance of the reboiler."""

_FROM_OUTSIDE: Final = (Observable.GAS_TEMPERATURE, Observable.GAS_PRESSURE, Observable.GAS_RATE)
_OUTSIDE: Final[Mapping[str, str]] = {
    "inlet gas hotter or pressure lower": "un dn n",
    "contactor flooding": "n dn un",
}
"""How what comes from outside moves; a fault inside the unit moves none of it. Ours, by definition."""


_BY_ITS_GAS_FLOW: Final[Mapping[str, str]] = {"inlet gas hotter or pressure lower": "n"}
"""Where the reference's pressure drop moves only because the gas flows faster.

Trays drop with the square of the velocity times the density of the gas, so a lower pressure at the same
standard rate raises the drop without anything being wrong on the trays. What is looked at here has that taken
off (``daemon.monitor.outlook.evidence``). Foam and flooding are what then remains: the reference tells foam
by "dP up at unchanged gas flow", and flooding begins where the drop leaves the square law.
"""

_DEFINING: Final[Mapping[str, Observable]] = {
    "low circulation (any cause)": Observable.STROKES,
    "plugged strainer or filter": Observable.FILTER_DROP,
    "over-circulation": Observable.STROKES,
    "foaming in contactor": Observable.TRAY_DROP,
    "contactor flooding": Observable.TRAY_DROP,
    "burner out": Observable.BURNER,
    "still top too hot (loss of reflux)": Observable.STILL_TOP,
    "cold glycol / below gas T": Observable.LEAN_TEMPERATURE,
    "hot lean glycol": Observable.LEAN_TEMPERATURE,
    "burner or fuel valve held on": Observable.BURNER,
}


def _signature(fault: str, cells: str, check: str) -> Signature:
    inside = [observable for observable in Observable if observable not in _FROM_OUTSIDE]
    outside = _OUTSIDE.get(fault, "n n n").split()
    drop = _BY_ITS_GAS_FLOW.get(fault)
    expected = {
        observable: frozenset(_LETTERS[letter] for letter in cell)
        for observable, cell in (
            *zip(inside, cells.split(), strict=True),
            *zip(_FROM_OUTSIDE, outside, strict=True),
        )
        if cell != "."
    }
    if drop is not None:
        expected[Observable.TRAY_DROP] = frozenset(_LETTERS[letter] for letter in drop)
    return Signature(fault, expected, check, _DEFINING.get(fault))


REFERENCE: Final[tuple[Signature, ...]] = tuple(_signature(*row) for row in _TABLE)
"""The faults of the reference's table."""
SIGNATURES: Final[tuple[Signature, ...]] = (*REFERENCE, *(_signature(*row) for row in _OWN))
"""Every known fault with its signature."""
