"""``tegwatch size-pump``: the pure report, and the command around it."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest
import typer
from typer.testing import CliRunner

from calc.conversions import (
    DEGREE_FAHRENHEIT,
    GALLON,
    GALLON_PER_HOUR,
    GALLON_PER_POUND,
    PER_MINUTE,
    PSI_ABSOLUTE,
    million_standard_cubic_feet_per_day,
    pound_per_million_standard_cubic_feet,
)
from calc.errors import CalcError
from calc.pump import Fit, PumpDesign
from daemon.cli.pump_sizing import STANDING_CAUTIONS, Load, SizingReport, SizingRequest, size
from daemon.cli.size_pump import size_pump

MMSCFD = million_standard_cubic_feet_per_day()
CONTENT = pound_per_million_standard_cubic_feet()
REQUEST = SizingRequest(
    highest=Load(DEGREE_FAHRENHEIT.to_si(100.0), MMSCFD.to_si(50.0)),
    lowest=Load(DEGREE_FAHRENHEIT.to_si(100.0), MMSCFD.to_si(25.0)),
    pressure=PSI_ABSOLUTE.to_si(1000.0),
    limit_water_content=CONTENT.to_si(7.0),
    circulation_ratio=GALLON_PER_POUND.to_si(3.0),
    specific_gravity=0.65,
    carbon_dioxide=0.0,
    hydrogen_sulfide=0.0,
    design_stroke_rate=PER_MINUTE.to_si(25.0),
    return_pressure=PSI_ABSOLUTE.to_si(64.7),
    barometric_pressure=101325.0,
)


def _value(report: SizingReport, name: str) -> float:
    return next(step.value for step in report.steps if step.name == name)


def _pump(name: str, gallons: float) -> PumpDesign:
    return PumpDesign(name, GALLON.to_si(gallons), PER_MINUTE.to_si(8.0), PER_MINUTE.to_si(40.0))


def test_the_path_by_hand() -> None:
    """60.4 lb/MMscf at 100 degF and 1000 psia (ASTM D1142): 50 x (60.4 - 7) x 3 / 24 = 333.8 gal/h."""
    report = size(REQUEST)

    assert CONTENT.from_si(_value(report, "water in the wet gas")) == pytest.approx(60.4, rel=2e-3)
    highest = GALLON_PER_HOUR.from_si(_value(report, "circulation at the highest load"))
    assert highest == pytest.approx(333.8, rel=3e-3)
    assert GALLON_PER_HOUR.from_si(_value(report, "circulation at the lowest load")) == pytest.approx(
        highest / 2.0
    )
    assert GALLON.from_si(_value(report, "displacement a stroke")) == pytest.approx(
        highest / 60.0 / 25.0 / 0.95
    )


def test_pumps_come_in_order_and_too_small_alone_is_not_served() -> None:
    report = size(dataclasses.replace(REQUEST, pumps=(_pump("little", 0.05), _pump("right", 0.2))))

    assert [(each.pump, each.fit) for each in report.fits] == [
        ("right", Fit.SERVES),
        ("little", Fit.TOO_SMALL),
    ]
    assert report.served
    assert not size(dataclasses.replace(REQUEST, pumps=(_pump("little", 0.05),))).served


def test_impure_glycol_is_told_from_too_little() -> None:
    pure = size(dataclasses.replace(REQUEST, lean_mass_fraction=0.99))
    weak = size(dataclasses.replace(REQUEST, lean_mass_fraction=0.976))

    name = "the same by the contactor's equation"
    assert _value(weak, name) > _value(pure, name)
    hopeless = size(dataclasses.replace(REQUEST, lean_mass_fraction=0.95))
    assert any("95.00 wt% cannot reach the limit at any rate" in caution for caution in hopeless.cautions)
    assert not hopeless.served
    assert _value(hopeless, "circulation at the highest load") == _value(
        pure, "circulation at the highest load"
    )


def test_gas_that_cannot_drive_a_pump_leaves_the_rest_of_the_sizing() -> None:
    low = size(dataclasses.replace(REQUEST, pressure=4e5))

    assert "drive gas" not in {step.name for step in low.steps}
    assert any("a motor must drive the pump" in caution for caution in low.cautions)
    assert "drive gas" in {step.name for step in size(REQUEST).steps}


@pytest.mark.parametrize(
    ("changes", "caution"),
    [
        ({"carbon_dioxide": 0.08}, "8.0 mol % CO2"),
        ({"hydrogen_sulfide": 0.01}, "It is poisonous"),
        ({"pressure": 15e5}, "No second method covers"),
        ({"lowest": Load(283.15, MMSCFD.to_si(25.0))}, "inside the hydrate region"),
        ({"lowest": Load(260.15, MMSCFD.to_si(25.0))}, "drier than the limit already"),
        ({"lean_mass_fraction": 0.974}, "asks for more glycol than the ratio"),
        ({}, "Without the lean glycol's purity"),
    ],
)
def test_cautions_speak_when_they_must(changes: dict[str, object], caution: str) -> None:
    cautions = size(dataclasses.replace(REQUEST, **changes)).cautions  # type: ignore[arg-type]

    assert any(caution in text for text in cautions)
    assert cautions[-2:] == STANDING_CAUTIONS


def test_a_safe_gas_raises_no_special_caution() -> None:
    cautions = size(dataclasses.replace(REQUEST, lean_mass_fraction=0.99)).cautions

    assert len(cautions) == 1 + len(STANDING_CAUTIONS)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"limit_water_content": CONTENT.to_si(80.0)}, "already drier than the limit"),
        ({"lowest": Load(REQUEST.highest.temperature, MMSCFD.to_si(60.0))}, "exchange the two"),
        ({"pressure": -1.0}, "pressure = -1 is outside"),
        ({"circulation_ratio": 1.0}, "circulation_ratio = 1 is outside"),
    ],
)
def test_what_cannot_be_sized_says_why(changes: dict[str, object], message: str) -> None:
    with pytest.raises(CalcError, match=message):
        size(dataclasses.replace(REQUEST, **changes))  # type: ignore[arg-type]


app = typer.Typer()
app.command()(size_pump)
GAS = ["--temperature", "100 degF", "--pressure", "1000 psia", "--rate", "50 MMscfd"]


def test_json_is_the_report_in_si() -> None:
    result = CliRunner().invoke(app, [*GAS, "--lowest-rate", "25 MMscfd", "--json"])

    assert result.exit_code == 0
    facts = json.loads(result.stdout)
    expected = size(REQUEST)
    assert [step["value"] for step in facts["steps"]] == pytest.approx(
        [step.value for step in expected.steps], rel=1e-4
    )
    assert facts["cautions"] == list(expected.cautions)


def test_the_table_shows_units_pumps_and_cautions() -> None:
    result = CliRunner().invoke(
        app, [*GAS, "--pump", "north, 0.2 gal, 8 /min, 40 /min"], env={"COLUMNS": "160"}
    )

    assert result.exit_code == 0
    for text in ("lb/MMscf", "gal/h", "ASTM D1142", "north", "serves", "Cautions", "site procedures"):
        assert text in result.stdout


@pytest.mark.parametrize(("units", "shown"), [("us", "Mscfd"), ("si", "Sm3/h")])
def test_a_small_pumps_drive_gas_is_readable(units: str, shown: str) -> None:
    """Drive gas per glycol times glycol, by hand from the two lines above it."""
    small = [*GAS[:4], "--rate", "2 MMscfd", "--units", units]
    result = CliRunner().invoke(app, small, env={"COLUMNS": "160"})
    numbers = {
        name: float(re.findall(rf"^{name} +([\d.]+)", result.stdout, re.MULTILINE)[0])
        for name in ("drive gas per glycol", "circulation at the highest load", "drive gas")
    }
    ratio, glycol, gas = numbers.values()
    by_hand = ratio * glycol * 24.0 / 1000.0 if units == "us" else ratio * glycol / 1000.0
    assert gas > 0.5
    assert gas == pytest.approx(by_hand, abs=0.06)
    assert re.search(rf"^drive gas +[\d.]+ {shown} ", result.stdout, re.MULTILINE)


def test_no_pump_large_enough_is_a_finding() -> None:
    result = CliRunner().invoke(app, [*GAS, "--pump", "little, 0.01 gal, 8 /min, 40 /min"])

    assert result.exit_code == 6
    assert "too small" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["--limit", "7 degF"], 2, '--limit: "degF" is no unit of water content; use for example lb/MMscf'),
        (["--pressure", "1000 psi"], 2, '--pressure: "psi" does not say gauge or absolute'),
        (["--ratio", "3"], 2, '--ratio: "3" has no unit; write for example "3 gal/lb"'),
        (["--units", "metric"], 2, '--units is "metric"; write us or si'),
        (["--gas-base", "20 degC"], 2, '--gas-base is "20 degC"; write one of: 60 degF, 14.696 psia'),
        (["--pump", "north, 1 gal"], 2, 'write "name, displacement, stall rate, maximum rate"'),
        (["--pump", "north, 1 gal, 8 /min, 40 degF"], 2, '"degF" is no unit of stroke rate'),
        (["--pump", "north, 1 gal, 40 /min, 8 /min"], 2, "pump north: the stall rate"),
        (["--pump", "north, 1 gal, 8 /min, 40 /min, good"], 2, '"good" is not a number'),
        (["--limit", "900 lb/MMscf"], 1, "already drier than the limit"),
    ],
)
def test_mistakes_get_a_message_and_a_code(arguments: list[str], code: int, message: str) -> None:
    result = CliRunner().invoke(app, [*GAS, *arguments])

    assert result.exit_code == code
    assert message in result.stderr
