"""What is allowed and looks like a slip: each kind told once, and nothing told of sites that are meant so."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.doubts import doubts
from config.errors import ConfigError
from config.loader import load_site, parse_site
from daemon.cli.commands import app

EXAMPLES = files("config").joinpath("examples")
FIRST = EXAMPLES.joinpath("first-site.toml").read_text(encoding="utf-8")


def told(old: str, new: str) -> list[tuple[str, str]]:
    assert FIRST.count(old) == 1
    return list(doubts(parse_site(FIRST.replace(old, new), "site.toml")))


@pytest.mark.parametrize("name", ["first-site.toml", "demo.toml"])
def test_examples_raise_no_doubt(name: str) -> None:
    assert list(doubts(load_site(Path(str(EXAMPLES.joinpath(name)))))) == []


def test_a_float_that_begins_in_the_middle_of_another() -> None:
    assert told("address = 40005", "address = 40004") == [
        ("unit-1", "contactor_temperature and contactor_pressure share 1 of their registers on plc-1")
    ]


def test_the_same_registers_twice_and_bits_of_a_number_are_meant() -> None:
    assert told("address = 40005", "address = 40003") == []
    assert told("address = 40020", "address = 40011") == []


def test_a_high_limit_below_a_low_one() -> None:
    assert told('setpoint = "1050 psig"', 'setpoint = "600 psig"') == [
        ("unit-1", "contactor_pressure_high at 600.0 psig is not above contactor_pressure_low at 650.0 psig")
    ]


def test_sour_gas_that_the_calculation_takes_for_sweet() -> None:
    (found,) = told("# carbon_dioxide = 0.01 ", 'carbon_dioxide = "10 mol%"')

    assert found == ("unit-1", "10.0 mol % CO2: the gas holds more water than calculated for sweet gas.")


def test_a_high_limit_within_the_thermostats_swing() -> None:
    old = re.search(r'^set_point = "[^"]*"', FIRST, re.MULTILINE)
    assert old is not None
    (only,) = told(old.group(), 'set_point = "398 degF"')
    assert only[1] == (
        "a thermostat at 398.0 °F swings to about 403.4 °F: "
        "reboiler_temperature_high at 402.0 °F may come at every cycle"
    )


@pytest.mark.parametrize("set_point", ["404 degF", "210 degC"])
def test_a_set_point_where_the_glycol_breaks_down_is_refused(set_point: str) -> None:
    old = re.search(r'^set_point = "[^"]*"', FIRST, re.MULTILINE)
    assert old is not None
    with pytest.raises(ConfigError) as caught:
        told(old.group(), f'set_point = "{set_point}"')
    (problem,) = caught.value.problems
    assert problem.key == "units[0].reboiler.set_point"
    assert problem.line == FIRST[: old.start()].count("\n") + 1
    assert "where the glycol breaks down: 404 degF" in problem.message


def test_check_tells_them_and_lets_the_file_pass(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(FIRST.replace("address = 40005", "address = 40004"))
    done = CliRunner().invoke(app, ["check", str(site)], env={"COLUMNS": "200"})
    assert done.exit_code == 0
    assert "Look twice at unit unit-1: contactor_temperature and contactor_pressure share 1" in done.output
