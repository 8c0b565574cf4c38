"""Setpoints as a site file writes them."""

from __future__ import annotations

import math
import re

import pytest

from config.alarms import (
    SetPoint,
)
from config.quantities import Quantity
from config.setpoints import (
    Known,
    MissingValueError,
    SetPointError,
    parse_setpoint,
)
from config.units import UnitContext

KNOWN = Known(
    {"set_point": (Quantity.TEMPERATURE, 460.0), "not_given": (Quantity.TEMPERATURE, None)},
    {"gas": Quantity.TEMPERATURE, "load": Quantity.STROKE_RATE},
)


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    [
        ("404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("-15 degF", Quantity.TEMPERATURE_DIFFERENCE, SetPoint(-8.333333)),
        ("set_point", Quantity.TEMPERATURE, SetPoint(460.0)),
        ("set_point + 9 degF", Quantity.TEMPERATURE, SetPoint(465.0)),
        ("set_point - 9 degF", Quantity.TEMPERATURE, SetPoint(455.0)),
        ("set_point + 90 degF, at most 404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("set_point - 90 degF, at least 404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("gas + 18 degF", Quantity.TEMPERATURE, SetPoint(10.0, "gas")),
        ("gas - 2 K", Quantity.TEMPERATURE, SetPoint(-2.0, "gas")),
        ("0.9 * load", Quantity.STROKE_RATE, SetPoint(0.0, "load", 0.9)),
        (
            "2*load + 6 /min, at least 12 /min, at most 60 /min",
            Quantity.STROKE_RATE,
            SetPoint(0.1, "load", 2.0, 0.2, 1.0),
        ),
    ],
)
def test_setpoints_as_text(text: str, quantity: Quantity, expected: SetPoint) -> None:
    found = parse_setpoint(text, quantity, KNOWN, UnitContext())
    assert found.reference == expected.reference
    for name in ("offset", "factor", "at_least", "at_most"):
        value, target = getattr(found, name), getattr(expected, name)
        assert value == target or math.isclose(value, target, rel_tol=1e-6)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("404", "has no unit"),
        ("404 degF, at most 410 degF", "bounds a fixed number"),
        ("gas + 18", "has no unit"),
        ("gas + 18 degF, below 400 degF", '"below 400 degF" is no bound'),
        ("load", "load is a stroke rate, not a temperature"),
        ("set_pont", '"set_pont" is no signal'),
        ("gas + load", "is not a number with a unit"),
        ("", "is not a number with a unit"),
    ],
)
def test_a_setpoint_that_cannot_be_read(text: str, message: str) -> None:
    with pytest.raises(SetPointError, match=re.escape(message)) as caught:
        parse_setpoint(text, Quantity.TEMPERATURE, KNOWN, UnitContext())
    assert caught.value.fix


def test_a_value_that_the_site_does_not_give() -> None:
    with pytest.raises(MissingValueError, match="not_given"):
        parse_setpoint("not_given", Quantity.TEMPERATURE, KNOWN, UnitContext())
