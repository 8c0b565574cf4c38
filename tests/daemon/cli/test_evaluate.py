"""``tegwatch evaluate``: the pure report, and the command around it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from calc.errors import CalcError
from calc.readings import ESTIMATES
from calc.unit import Design, Readings
from config.alarm_inputs import INPUT_QUANTITIES
from config.units import DEFAULT_BASE, UnitContext, display_units
from daemon.cli.evaluate import evaluate
from daemon.cli.evaluation import DESIGN_KINDS, STANDING_CAUTIONS, read_values, report

TEXTS = {
    "gas_temperature": "100 degF",
    "gas_pressure": "800 psig",
    "gas_rate": "10 MMscfd",
    "reboiler_temperature": "390 degF",
    "stroke_rate": "20 /min",
    "pump_displacement": "0.1 gal",
    "limit_water_content": "7 lb/MMscf",
    "specific_gravity": "0.65",
    "theoretical_stages": "2",
}
FILE = """
[readings]
gas_temperature = "100 degF"
gas_pressure = "800 psig"
gas_rate = "10 MMscfd"
reboiler_temperature = "390 degF"
stroke_rate = "20 /min"

[design]
specific_gravity = 0.65
theoretical_stages = 2
pump_displacement = "0.1 gal"
limit_water_content = "7 lb/MMscf"
"""


@pytest.fixture
def command() -> typer.Typer:
    app = typer.Typer()
    app.command()(evaluate)
    return app


def _options(texts: dict[str, str]) -> list[str]:
    return [part for name, text in texts.items() for part in ("--set", f"{name}={text}")]


def test_every_field_can_be_given_and_every_result_is_reported() -> None:
    assert set(INPUT_QUANTITIES) == set(Readings.__slots__)
    assert set(DESIGN_KINDS) == set(Design.__slots__)
    lines = report(*read_values(TEXTS, DEFAULT_BASE)).lines

    assert {line.name for line in lines} == set(ESTIMATES)
    assert all(line.how for line in lines)
    assert all(line.remark for line in lines if line.value is None)


def test_units_are_read() -> None:
    readings, design = read_values(TEXTS | {"barometric_pressure": "85 kPaa", "trays": "8"}, DEFAULT_BASE)

    assert readings.gas_temperature == pytest.approx(310.928, abs=1e-3)
    assert readings.gas_pressure == pytest.approx(800 * 6894.757 + 85e3, rel=1e-6)
    assert readings.stroke_rate == pytest.approx(1 / 3)
    assert math.isnan(float(readings.lean_mass_fraction))
    assert design.pump_displacement == pytest.approx(3.785412e-4)
    assert design.limit_water_content == pytest.approx(7 * 1.60493e-5, rel=1e-4)
    assert design.trays == 8


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gas_temprature": "100 degF"}, "did you mean gas_temperature"),
        ({"gas_temperature": "100"}, 'gas_temperature: "100" has no unit'),
        ({"gas_rate": "100 psig"}, "gas_rate: "),
        ({"zzz": "1"}, "known are"),
    ],
)
def test_what_cannot_be_read_is_named(change: dict[str, str], message: str) -> None:
    with pytest.raises(CalcError, match=message):
        read_values(TEXTS | change, DEFAULT_BASE)


def test_a_design_that_lacks_something_says_what() -> None:
    with pytest.raises(CalcError, match="the design lacks pump_displacement, specific_gravity"):
        read_values({"gas_temperature": "100 degF", "theoretical_stages": "2"}, DEFAULT_BASE)


def test_cautions_follow_the_readings() -> None:
    hot = TEXTS | {
        "reboiler_temperature": "410 degF",
        "carbon_dioxide": "6 %",
        "limit_water_content": "2 lb/MMscf",
    }
    found = report(*read_values(hot, DEFAULT_BASE))

    assert found.over_limit
    assert found.cautions[-len(STANDING_CAUTIONS) :] == STANDING_CAUTIONS
    text = " ".join(found.cautions)
    for words in ("breaks down", "wetter than the limit", "CO2", "taken as saturated"):
        assert words in text


def test_a_reading_that_cannot_be_is_refused_aloud_and_claims_no_result() -> None:
    found = report(*read_values(TEXTS | {"lean_mass_fraction": "0.9 wt%"}, DEFAULT_BASE))
    purity = next(line for line in found.lines if line.name == "lean_mass_fraction")

    assert any(
        "lean_mass_fraction is outside 85.00 to 100.00 wt% and was not used" in c for c in found.cautions
    )
    assert purity.how.startswith("bubble point")
    assert purity.value is not None
    assert purity.value > 0.98


def test_ranges_are_told_in_the_units_of_the_reader() -> None:
    readings, design = read_values(TEXTS | {"gas_pressure": "30 psig"}, DEFAULT_BASE)
    us = display_units("us", UnitContext(design.barometric_pressure))
    content = next(
        line for line in report(readings, design, units=us).lines if line.name == "saturated_water_content"
    )

    assert content.remark == "gas_pressure is outside 46.2 to 3901.3 psig"


def test_elevation_stands_for_the_barometric_pressure() -> None:
    """2000 m: 79.50 kPa (ISO 2533:1975, table 1); glycol boils drier there."""
    high = read_values(TEXTS | {"elevation": "2000 m"}, DEFAULT_BASE)
    assert high[1].barometric_pressure == pytest.approx(79.50e3, rel=1e-3)
    purities = [
        next(line.value for line in report(*given).lines if line.name == "lean_mass_fraction")
        for given in (read_values(TEXTS, DEFAULT_BASE), high)
    ]
    assert purities[0] is not None
    assert purities[1] is not None
    assert purities[1] > purities[0] + 0.002
    with pytest.raises(CalcError, match="both given"):
        read_values(TEXTS | {"elevation": "2000 m", "barometric_pressure": "79.5 kPaa"}, DEFAULT_BASE)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"gas_rate": "0 MMscfd"}, "no gas flows"),
        ({"stroke_rate": "0 /min"}, "no glycol flows"),
        ({"gas_temperature": "2 degC"}, "gas_temperature is outside 4.9 to 92.9 °C"),
    ],
)
def test_why_nothing_came_out(change: dict[str, str], why: str) -> None:
    lines = report(*read_values(TEXTS | change, DEFAULT_BASE)).lines

    assert next(line.remark for line in lines if line.name == "rich_mass_fraction").startswith(why)


def test_without_a_margin_the_command_says_that_it_failed(command: typer.Typer) -> None:
    without = {name: text for name, text in TEXTS.items() if name != "reboiler_temperature"}

    assert CliRunner().invoke(command, _options(without)).exit_code == 1


def test_shares_of_the_variance_add_up() -> None:
    contributions = report(*read_values(TEXTS, DEFAULT_BASE)).contributions

    assert math.fsum(each.share for each in contributions) == pytest.approx(1.0)
    assert [each.effect for each in contributions] == sorted((e.effect for e in contributions), reverse=True)


@pytest.mark.parametrize("units", ["us", "si"])
def test_table(command: typer.Typer, units: str) -> None:
    outcome = CliRunner().invoke(command, [*_options(TEXTS), "--units", units], env={"COLUMNS": "160"})

    assert outcome.exit_code == 0, outcome.output
    assert "pipeline limit less outlet dew point" in outcome.output
    assert "needs outlet_water_content" in outcome.output
    assert STANDING_CAUTIONS[0] in outcome.output


def test_file_and_json(command: typer.Typer, tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(FILE, encoding="utf-8")
    by_file = CliRunner().invoke(command, [str(path), "--json"])
    by_options = CliRunner().invoke(command, [*_options(TEXTS), "--json"])
    overridden = CliRunner().invoke(command, [str(path), "--json", "--set", "stroke_rate=5 /min"])

    assert by_file.exit_code == by_options.exit_code == 0, by_file.output
    assert json.loads(by_file.output) == json.loads(by_options.output)
    assert json.loads(by_file.output)["results"]["lean_mass_fraction"]["value"] == pytest.approx(
        0.9855, abs=2e-3
    )
    assert overridden.exit_code == 6
    assert json.loads(overridden.output)["over_limit"]


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--set", "gas_temperature"], 2, "write a name and a value"),
        (["--set", "nonsense=1"], 2, "nonsense"),
        (["--units", "imperial"], 2, "us or si"),
        (["--gas-base", "cold"], 2, "write one of"),
        (["nowhere.toml"], 2, "nowhere.toml"),
        ([*_options(TEXTS), "--set", "theoretical_stages=50"], 1, "theoretical_stages"),
    ],
)
def test_failures_say_what_to_mend(command: typer.Typer, arguments: list[str], code: int, words: str) -> None:
    outcome = CliRunner().invoke(command, arguments)

    assert outcome.exit_code == code
    assert words in outcome.output
