"""A safety alarm is changed or switched off only with a basis, and ``check`` shows every change."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.errors import ConfigError
from daemon.cli.commands import app
from tests.daemon.monitor.plant import make_site

HIGH_HIGH = "[alarms.reboiler_temperature_high_high]\n"
BASIS = 'basis = "site alarm review, J. Doe, 2026-01-15"\n'
FIRST = files("config").joinpath("examples/first-site.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "line",
    [
        "enabled = false",
        'setpoint = "450 degF"',
        'on_delay = "30 s"',
        'off_delay = "1 h"',
        'priority = "low"',
        'deadband = "40 degF"',
        'maximum_shelving = "24 h"',
        'setpoint_by_state = { drying = "450 degF" }',
    ],
)
def test_a_safety_alarm_changed_without_a_basis_is_an_error_with_its_line(line: str) -> None:
    with pytest.raises(ConfigError) as caught:
        make_site(rest=f"{HIGH_HIGH}{line}\n")
    (problem,) = caught.value.problems
    assert problem.key == f"alarms.reboiler_temperature_high_high.{line.partition(' ')[0]}"
    assert problem.line > 0
    assert "safety alarm" in problem.message
    assert "basis" in problem.fix
    make_site(rest=f"{HIGH_HIGH}{BASIS}{line}\n")


@pytest.mark.parametrize(
    "rest",
    [
        '[alarms.reboiler_temperature_high]\nsetpoint = "398 degF"\n',  # no safety alarm
        '[alarms.contactor_pressure_high]\nsetpoint = "1100 psig"\n',  # none is packaged
        '[alarms.reboiler_temperature_high_high]\nresponse = "Call the plant."\n',
        '[alarms.reboiler_temperature_high_high]\nsetpoint = "404 degF"\n',  # as it is packaged
    ],
)
def test_what_takes_nothing_from_a_safety_alarm_needs_none(rest: str) -> None:
    make_site(rest=rest)


def test_check_shows_what_is_packaged_beside_what_the_site_says(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(f'{FIRST}\n{HIGH_HIGH}{BASIS}setpoint = "399 degF"\non_delay = "10 s"\n')
    shown = CliRunner().invoke(app, ["check", str(site)], env={"COLUMNS": "250"}).output
    assert (
        "reboiler_temperature_high_high: setpoint 399 degF, packaged 404 degF "
        "(site alarm review, J. Doe, 2026-01-15)"
    ) in shown
    assert "reboiler_temperature_high_high: on_delay 10 s, packaged 5 s" in shown
    facts = json.loads(CliRunner().invoke(app, ["check", str(site), "--json"]).output)
    assert {
        "alarm": "contactor_pressure_high",
        "key": "setpoint",
        "packaged": "given by the site",
        "here": "1050 psig",
        "basis": "EXAMPLE: replace by the site's document",
    } in facts["units"][0]["alarms_changed"]
