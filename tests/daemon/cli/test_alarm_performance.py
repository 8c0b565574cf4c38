"""``tegwatch alarms performance``: figures from a journal on disk beside the standard's targets."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli.alarms import app
from daemon.cli.exits import FAILED, FINDINGS, USAGE
from daemon.journal.journal import Journal
from daemon.model import AlarmState, AlarmTransition, OperatingState, Outcome, Priority

NOW = 1_700_000_000.0
SPAN = ("--from", "2023-11-14T22:13:20Z", "--to", "2023-11-15T22:13:20Z")  # a day from NOW


def step(at: float, state: AlarmState, previous: AlarmState) -> Outcome:
    event = "condition true" if state is AlarmState.UNACKNOWLEDGED else "condition false"
    alarm = AlarmTransition(
        "north", "level_high", f"north.{at}", previous, state, event, NOW + at, Priority.LOW, "x", "y"
    )
    return Outcome("north", int(at), NOW + at, at, OperatingState.DRYING, {}, {}, (alarm,))


def site_with(tmp_path: Path, times: list[float]) -> Path:
    example = Path(__file__).parents[3] / "config" / "examples" / "demo.toml"
    site = tmp_path / "site.toml"
    site.write_text(example.read_text())
    journal = Journal.open(tmp_path / "tegwatch-journal.sqlite3", now=NOW)
    for at in times:
        journal.commit([step(at, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL)])
        journal.commit([step(at + 30.0, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)])
    journal.close()
    return site


def run(site: Path, *arguments: str) -> Any:
    return CliRunner().invoke(app, ["performance", str(site), *arguments])


def test_a_calm_day_meets_its_targets(tmp_path: Path) -> None:
    result = run(site_with(tmp_path, [3600.0, 40_000.0]), *SPAN)
    assert result.exit_code == 0, result.output
    assert "2 annunciations in 1.0 days, 2.00 a day" in result.output
    assert "at least 30 days" in result.output
    assert "ISA-18.2" in result.output


def test_a_flood_misses_them_and_says_so_to_programs(tmp_path: Path) -> None:
    site = site_with(tmp_path, [35.0 * n for n in range(1, 31)])
    result = run(site, *SPAN, "--json")
    assert result.exit_code == FINDINGS
    facts = json.loads(result.stdout)
    assert facts["annunciations"] == 30
    assert facts["most_frequent"] == [["north", "level_high", 30]]
    busiest = next(one for one in facts["verdicts"] if one["figure"] == "most in 10 min")
    # 35 s apart, 17 fall into the first ten minutes.
    assert (busiest["value"], busiest["target"], busiest["judgement"]) == (17, "at most 10", "missed")
    nuisances = next(one for one in facts["verdicts"] if one["figure"] == "chattering and fleeting alarms")
    assert nuisances["value"] == 0


def test_of_one_unit_only(tmp_path: Path) -> None:
    site = site_with(tmp_path, [3600.0])
    assert "1 annunciations" in run(site, *SPAN, "--unit", "north").output


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--from", "yesterday-ish"), USAGE),
        (("--from", "2023-11-15T00:00:00Z", "--to", "2023-11-14T00:00:00Z"), USAGE),
    ],
)
def test_a_wrong_question_is_told(tmp_path: Path, arguments: tuple[str, ...], code: int) -> None:
    assert run(site_with(tmp_path, []), *arguments).exit_code == code


def test_no_journal_is_told(tmp_path: Path) -> None:
    example = Path(__file__).parents[3] / "config" / "examples" / "demo.toml"
    site = tmp_path / "site.toml"
    site.write_text(example.read_text())
    assert run(site, *SPAN).exit_code == FAILED
