"""``tegwatch history``: units, quality, formats, and what it says when the question is wrong."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner
from typer.testing import Result as RunResult

from daemon.cli.history import history
from daemon.journal.journal import Journal
from daemon.model import OperatingState, Outcome, Reading, Result, Status
from tests.support.outcomes import transition

NOW = 1_700_000_000.0
SPAN = ("--from", "2023-11-14T22:13:20Z", "--to", "2023-11-14T22:14:20Z")

app = typer.Typer()
app.command()(history)


def run(*arguments: object) -> RunResult:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return site_of_a_minute(tmp_path)


def site_of_a_minute(tmp_path: Path) -> Path:
    """The demo's site file with a journal of sixty scans beside it."""
    example = Path(__file__).parents[3] / "config" / "examples" / "demo.toml"
    site = tmp_path / "site.toml"
    site.write_text(example.read_text())
    journal = Journal.open(tmp_path / "tegwatch-journal.sqlite3", now=NOW)
    journal.commit([_step(n) for n in range(60)])
    journal.close()
    return site


def _step(n: int) -> Outcome:
    """Reboiler at 375 degF (463.7056 K), an open circuit at second 2; stroke rate measured and calculated."""
    time = NOW + n
    hot = Reading(463.70556, Status.GOOD, time, n)
    if n == 2:
        hot = hot.degraded(Status.BAD_SENSOR_FAILURE, "open circuit")
    signals = {"reboiler_temperature": hot, "stroke_rate": Reading(0.5, Status.GOOD, time, n)}
    results = {
        "stroke_rate": Result(0.25, None, Status.GOOD),
        "dew_point_margin": Result(5.0 + n, 2.5, Status.UNCERTAIN_SUB_NORMAL, "no analyzer"),
    }
    alarms = (transition(n),) if n == 30 else ()
    return Outcome("north", n, time, float(n), OperatingState.DRYING, signals, results, alarms)


def test_a_table_in_the_sites_units_and_zone(site: Path) -> None:
    result = run(site, "north", "reboiler_temperature", "dew_point_margin", *SPAN)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert "reboiler_temperature [°F]" in lines[0]
    assert "dew_point_margin [°F]" in lines[0]
    assert lines[1].split() == ["2023-11-14T15:13:20-07:00", "375.0", "9.0", "UncertainSubNormal"]
    assert lines[3].split() == ["2023-11-14T15:13:22-07:00", "BadSensorFailure", "12.6", "UncertainSubNormal"]
    assert len(lines) == 61


def test_csv_says_unit_uncertainty_and_quality_of_each_column(site: Path) -> None:
    result = run(site, "north", "dew_point_margin", *SPAN, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert rows[0] == {
        "time": "2023-11-14T15:13:20-07:00",
        "state": "drying",
        "dew_point_margin [°F]": "9.0",
        "dew_point_margin uncertainty [°F]": "4.5",
        "dew_point_margin quality": "UncertainSubNormal",
    }
    assert len(rows) == 60


def test_statistics_leave_the_bad_value_out(site: Path) -> None:
    result = run(site, "north", "reboiler_temperature", *SPAN, "--every", "1min", "--format", "json")
    answer = json.loads(result.stdout)
    cells = [row["values"]["signal:reboiler_temperature"] for row in answer["rows"]]
    assert sum(cell["count"] for cell in cells) == 59
    assert cells[0]["mean"] == pytest.approx(375.0, abs=1e-3)
    assert [cell["quality"] for cell in cells] == ["bad", "good"]
    assert answer["columns"]["signal:reboiler_temperature"]["unit"] == "°F"


def test_json_lines_can_be_read_alone(site: Path) -> None:
    result = run(site, "north", *SPAN, "--format", "jsonl")
    rows = [json.loads(line) for line in result.stdout.splitlines()]
    assert len(rows) == 60
    assert rows[2]["values"]["signal:reboiler_temperature"] == {
        "value": None, "quality": "bad", "status": "BadSensorFailure", "reason": "open circuit", "unit": "°F",
    }  # fmt: skip
    assert rows[0]["values"]["signal:stroke_rate"] == {"value": 30.0, "quality": "good", "unit": "/min"}
    assert (rows[0]["unit"], rows[0]["state"], rows[0]["sequence"]) == ("north", "drying", 1)


def test_a_name_that_is_measured_and_calculated_says_which_is_which(site: Path) -> None:
    lines = run(site, "north", "stroke_rate", *SPAN).stdout.splitlines()
    assert "stroke_rate (measured) [/min]" in lines[0]
    assert "stroke_rate (calculated) [/min]" in lines[0]
    assert lines[1].split()[1:] == ["30.00", "15.00"]
    assert "(measured)" not in run(site, "north", "result:stroke_rate", *SPAN).stdout


def test_a_journal_by_itself_is_shown_as_stored(site: Path) -> None:
    result = run(site.parent / "tegwatch-journal.sqlite3", "north", "reboiler_temperature", *SPAN)
    lines = result.stdout.splitlines()
    assert "reboiler_temperature [K]" in lines[0]
    assert lines[1].split() == ["2023-11-14T22:13:20+00:00", "463.705560"]


def test_what_there_is(site: Path) -> None:
    lines = run(site, "--list").stdout.splitlines()
    assert lines[0].startswith("on the disk: journal ")
    assert lines[1] == "north: 2023-11-14T15:13:20-07:00 to 2023-11-14T15:14:19-07:00"
    assert "  result  dew_point_margin      °F         pipeline limit less outlet dew point" in lines
    (unit,) = json.loads(run(site, "--list", "--format", "json").stdout)
    assert len(unit["columns"]) == 4


def test_alarms_and_events(site: Path) -> None:
    (line,) = run(site, "north", *SPAN, "--records").stdout.splitlines()
    assert "north  reboiler_high  NORM -> UNACK" in line
    (record,) = json.loads(run(site, *SPAN, "--records", "--format", "json").stdout)
    assert (record["type"], record["name"], record["sequence"]) == ("alarm", "reboiler_high", 32)
    (row,) = csv.DictReader(io.StringIO(run(site, *SPAN, "--records", "--format", "csv").stdout))
    assert row["priority"] == "high"


def test_the_whole_file_can_be_checked(site: Path) -> None:
    result = run(site, "--verify")
    assert (result.exit_code, "nothing wrong" in result.stdout) == (0, True)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (
            ("north", "reboiler_temprature"),
            2,
            "called reboiler_temprature; did you mean reboiler_temperature",
        ),
        (("north",), 2, "which values?"),
        (("west", "x"), 2, "no values of a unit called west; there are: north"),
        (("north", "dew_point_margin", "--from", "noon"), 2, '"noon" is no time'),
        (("north", "dew_point_margin", "--from", "now", "--to", "-1h"), 2, "--from must be before --to"),
        (("north", "dew_point_margin", "--every", "often"), 2, "is no duration"),
    ],
)
def test_a_wrong_question_is_told_what_would_be_right(
    site: Path, arguments: list[str], code: int, message: str
) -> None:
    result = run(site, *arguments)
    assert result.exit_code == code
    assert message in result.stderr


def test_files_that_do_not_serve(site: Path, tmp_path: Path) -> None:
    result = run(tmp_path / "nothing.toml", "--list")
    assert (result.exit_code, "no such file" in result.stderr) == (3, True)
    (tmp_path / "tegwatch-journal.sqlite3").unlink()
    result = run(site, "--list")
    assert (result.exit_code, "no such journal" in result.stderr) == (1, True)


def test_an_empty_answer_says_so_beside_the_data(site: Path) -> None:
    result = run(
        site, "north", "dew_point_margin", "--from", "2024-01-01", "--to", "2024-01-02", "--format", "json"
    )
    assert result.exit_code == 0
    assert json.loads(result.stdout)["rows"] == []
    assert "nothing is stored between" in result.stderr


def test_damage_is_told_by_the_exit_code(site: Path) -> None:
    connection = sqlite3.connect(site.parent / "tegwatch-journal.sqlite3")
    connection.execute("UPDATE entry SET body = zeroblob(50) WHERE sequence = 4")
    connection.commit()
    connection.close()
    result = run(site, "north", "dew_point_margin", *SPAN)
    assert (result.exit_code, "1 damaged rows" in result.stderr) == (6, True)
    assert run(site, "--verify").exit_code == 6
