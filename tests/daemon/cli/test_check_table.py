"""``tegwatch check SITE --signals FILE.csv``: a register map is tried out before the site file names it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.signal_columns import COLUMNS
from daemon.cli.commands import app
from daemon.cli.exits import CONFIGURATION
from tests.config.test_signal_table import GOOD, HEADING

ROWS = (
    "unit-1,contactor_temperature,plc,holding,20,int16,degF",
    "unit-1,gas_rate,plc,holding,21,float32,MMscfd",
    "unit-1,stroke_count,plc,holding,23,uint16,",
)


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "map.csv"
    path.write_text("\n".join((f"{HEADING},unit", *ROWS)) + "\n")
    return path


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["check", *arguments])
    return result.exit_code, result.output


def test_what_a_table_adds_is_shown(table: Path) -> None:
    code, text = run(str(GOOD), "--signals", str(table), "--json")

    (added,) = json.loads(text)["table"]["adds"]
    assert code == 0
    assert added["unit"] == "unit-1"
    assert added["signals"]["gas_rate"] == {
        "line": 3,
        "controller": "plc",
        "table": "holding",
        "address": 21,
        "type": "float32",
        "unit": "MMscfd",
    }
    # The site alone has reboiler temperature and contactor pressure: no margin without the table.
    assert {"dew_point_margin", "stroke_rate"} <= set(added["results"])
    assert "lean_mass_fraction" not in added["results"]
    assert {"dew_point_margin_low", "instrument_bad.gas_rate"} <= set(added["alarms"])


def test_people_are_shown_lines_and_what_to_do_next(table: Path) -> None:
    code, text = run(str(GOOD), "--signals", str(table))

    assert code == 0
    words = " ".join(text.split())  # lines are folded to the width of the terminal
    assert "adds 3 signals to unit unit-1" in words
    assert 'signal_tables = ["map.csv"]' in words


def test_an_alarm_of_a_signal_that_comes_with_the_table_may_be_changed_in_the_site_file(
    table: Path, tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    change = '\n[units.alarms."instrument_bad.gas_rate"]\npriority = "high"\nbasis = "site review"\n'
    site.write_text(GOOD.read_text() + change)

    code, text = run(str(site), "--signals", str(table), "--json")

    assert code == 0, text
    assert "instrument_bad.gas_rate" in json.loads(text)["table"]["adds"][0]["alarms"]


def test_a_table_with_a_mistake_is_refused_with_its_line(table: Path) -> None:
    table.write_text(table.read_text().replace("degF", "psig"))

    code, text = run(str(GOOD), "--signals", str(table))

    assert code == CONFIGURATION
    assert "map.csv:2: unit:" in text


def test_help_says_what_stands_in_every_column() -> None:
    _, text = run("--help")

    for column, meaning in COLUMNS.items():
        assert column in text
        assert meaning.split()[0] in text
