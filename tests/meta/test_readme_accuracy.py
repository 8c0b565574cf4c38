"""The accuracy that README.md states is what the command beside it prints, to the digits that it states."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli.commands import app

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
RESULTS = {
    "circulation": "circulation_rate",
    "saturated water content": "saturated_water_content",
    "lean purity": "lean_mass_fraction",
    "outlet dew point": "outlet_dew_point",
}


@pytest.fixture
def command() -> list[str]:
    (found,) = re.findall(r"^    tegwatch (evaluate .*)$", README, re.MULTILINE)
    return shlex.split(found)


def test_each_stated_figure_comes_from_the_command(
    command: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    answer = CliRunner().invoke(app, [*command, "--json"])
    assert answer.exit_code == 0, answer.output
    results = json.loads(answer.stdout)["results"]
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \| ([\d.]+) (%|wt%|K)[:| ]", README, re.MULTILINE)
    stated = {name: (number, unit) for name, number, unit in rows if name in RESULTS}
    assert set(stated) == set(RESULTS)
    for name, (number, unit) in stated.items():
        result = results[RESULTS[name]]
        deviation = result["uncertainty"]
        shown = {"%": 100.0 * deviation / result["value"], "wt%": 100.0 * deviation, "K": deviation}[unit]
        digits = len(number.partition(".")[2])
        assert f"{shown:.{digits}f}" == number, f"{name}: README says {number} {unit}, it is {shown:.3f}"


def test_what_the_text_says_of_the_dew_point_is_the_tables_figure() -> None:
    (in_text,) = re.findall(r"expect (\d+) K of dew point either way", README)
    (in_table,) = re.findall(r"^\| outlet dew point \|.*\| ([\d.]+) K \|$", README, re.MULTILINE)
    assert float(in_text) == float(in_table)
