"""Field types: text with a unit in the site file, an SI float in the model.

A number without a unit is refused in a site file: nobody should have to guess whether 375 is degF or degC.
Defaults in the models are SI floats already and are not parsed.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema

from config.quantities import Quantity
from config.units import USUAL_UNITS, UnitContext, parse_quantity


def _with_unit(quantity: Quantity) -> BeforeValidator:
    def parse(value: object, info: ValidationInfo) -> object:
        if isinstance(value, str):
            context = info.context if isinstance(info.context, UnitContext) else UnitContext()
            return parse_quantity(value, quantity, context)
        if (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and isinstance(info.context, UnitContext)
        ):
            example = USUAL_UNITS[quantity]
            raise ValueError(f'{value} has no unit; write for example "{value} {example}"')
        return value

    return BeforeValidator(parse)


def _as_text(quantity: Quantity) -> WithJsonSchema:
    """Say to editors what stands in the file."""
    return WithJsonSchema({"type": "string", "examples": [f"1 {USUAL_UNITS[quantity]}"]})


def _share() -> BeforeValidator:
    """Take "10 %" and "10 mol%" beside 0.1: people write shares both ways, and neither can be mistaken."""

    def parse(value: object) -> object:
        return parse_quantity(value, Quantity.FRACTION, UnitContext()) if isinstance(value, str) else value

    return BeforeValidator(parse)


_NUMBER_OR_TEXT = {"anyOf": [{"type": "number"}, {"type": "string", "examples": ["10 %"]}]}
Fraction = Annotated[float, _share(), WithJsonSchema(_NUMBER_OR_TEXT), Field(gt=0, le=1)]
"""Share above 0 and up to 1; written as 0.25 or "25 %"."""
MoleFraction = Annotated[float, _share(), WithJsonSchema(_NUMBER_OR_TEXT), Field(ge=0, lt=1)]
"""Share of 0 up to 1; written as 0.02 or "2 mol%"."""
Duration = Annotated[float, _with_unit(Quantity.DURATION), _as_text(Quantity.DURATION)]
"""Seconds; written as "500 ms", "1 s", "8 h"."""
Temperature = Annotated[float, _with_unit(Quantity.TEMPERATURE), _as_text(Quantity.TEMPERATURE)]
"""Kelvin."""
GaugeOrAbsolutePressure = Annotated[float, _with_unit(Quantity.PRESSURE), _as_text(Quantity.PRESSURE)]
"""Pascal absolute; the text says which it is: "psig", "kPa(g)", "bara"."""
PressureDifference = Annotated[
    float, _with_unit(Quantity.PRESSURE_DIFFERENCE), _as_text(Quantity.PRESSURE_DIFFERENCE)
]
"""Pascal."""
Length = Annotated[float, _with_unit(Quantity.LENGTH), _as_text(Quantity.LENGTH)]
"""Metres."""
LiquidVolume = Annotated[float, _with_unit(Quantity.VOLUME), _as_text(Quantity.VOLUME)]
"""Cubic metres."""
LiquidRate = Annotated[float, _with_unit(Quantity.LIQUID_RATE), _as_text(Quantity.LIQUID_RATE)]
"""Cubic metres a second."""
StrokeRate = Annotated[float, _with_unit(Quantity.STROKE_RATE), _as_text(Quantity.STROKE_RATE)]
"""Strokes a second."""
WaterContent = Annotated[float, _with_unit(Quantity.WATER_CONTENT), _as_text(Quantity.WATER_CONTENT)]
"""Kilograms a standard cubic metre."""
GasLiquidRatio = Annotated[float, _with_unit(Quantity.GAS_LIQUID_RATIO), _as_text(Quantity.GAS_LIQUID_RATIO)]
"""Standard cubic metres of gas a cubic metre of glycol."""
