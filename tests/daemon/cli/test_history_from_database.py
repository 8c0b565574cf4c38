"""``tegwatch history --from-influx``: answered by a database with the same words as by the journal."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest
import typer
from typer.testing import CliRunner
from typer.testing import Result as RunResult

from config.loader import load_site
from daemon.cli.history import history
from daemon.journal.journal import Journal
from daemon.sinks.line_protocol import Encoder
from daemon.wiring import wording_of
from tests.daemon.cli.test_history import NOW, SPAN, site_of_a_minute
from tests.support.influx_server import InfluxServer, influx_server_in_a_thread, parse_line

SINK = """
[[sinks]]
kind = "influx"
name = "{name}"
url = "http://127.0.0.1:{port}"
org = "gas"
bucket = "teg"
token_file = "token"
timeout = "5 s"
"""

app = typer.Typer()
app.command()(history)


def run(*arguments: object) -> RunResult:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def server() -> Iterator[InfluxServer]:
    with influx_server_in_a_thread() as made:
        yield made


@pytest.fixture
def site(tmp_path: Path, server: InfluxServer) -> Path:
    path = site_of_a_minute(tmp_path)
    path.write_text(path.read_text() + SINK.format(name="history", port=server.port))
    (tmp_path / "token").write_text("t0ken\n")
    (tmp_path / "token").chmod(0o600)
    encoder = Encoder(wording_of(load_site(path)), "tegwatch")
    journal = Journal.open(tmp_path / "tegwatch-journal.sqlite3", now=NOW)
    server.points = {
        (series, time): fields
        for entry in journal.entries(0, 1000)
        for series, fields, time in map(parse_line, encoder.lines(entry))
    }
    journal.close()
    return path


@pytest.mark.parametrize(
    "question",
    [
        ("north", "reboiler_temperature", "dew_point_margin"),
        ("north", "reboiler_temperature", "--format", "csv"),
        ("north", "stroke_rate", "dew_point_margin", "--format", "jsonl"),
        ("north", "reboiler_temperature", "--every", "1min", "--format", "json"),
        ("north", "stroke_rate", "--every", "10s"),
        ("north", "--records"),
        ("--records", "--format", "csv"),
    ],
)
def test_both_answer_with_the_same_words(site: Path, question: tuple[str, ...]) -> None:
    here, there = run(site, *question, *SPAN), run(site, *question, *SPAN, "--from-influx")
    assert (there.exit_code, there.stderr) == (0, "")
    assert there.stdout == here.stdout
    assert len(here.stdout) > 40


def test_files_and_pictures_come_from_there_as_well(site: Path, tmp_path: Path) -> None:
    tables = []
    for name, more in (("here", ()), ("there", ("--from-influx",))):
        file, picture = tmp_path / f"{name}.parquet", tmp_path / f"{name}.svg"
        asked = ("north", "reboiler_temperature", *SPAN, *more)
        assert run(site, *asked, "--format", "parquet", "--output", file).exit_code == 0
        assert run(site, *asked, "--plot", picture).exit_code == 0
        tables.append(pq.read_table(file).to_pylist())
        assert "reboiler_temperature" in picture.read_text()
    assert tables[0] == tables[1]


def test_what_there_is(site: Path) -> None:
    [unit] = json.loads(run(site, "--list", "--from-influx", "--format", "json").stdout)
    assert (unit["unit"], unit["from"]) == ("north", "2023-11-14T15:13:20-07:00")
    assert [column["name"] for column in unit["columns"]] == [
        "reboiler_temperature", "stroke_rate", "dew_point_margin", "stroke_rate",
    ]  # fmt: skip
    assert "on the disk" not in run(site, "--list", "--from-influx").stdout


def test_an_empty_answer_says_so(site: Path) -> None:
    empty = ("--from", "2024-01-01", "--to", "2024-01-02", "--from-influx")
    result = run(site, "north", "dew_point_margin", *empty, "--format", "csv")
    assert (result.exit_code, list(csv.reader(result.stdout.splitlines()))) == (0, [])
    assert "nothing is stored between" in result.stderr


def test_with_two_sinks_one_is_named(site: Path, server: InfluxServer) -> None:
    site.write_text(site.read_text() + SINK.format(name="spare", port=server.port))
    asked = ("north", "dew_point_margin", *SPAN)
    result = run(site, *asked, "--from-influx")
    assert (result.exit_code, "--sink takes one of: history, spare" in result.stderr) == (2, True)
    assert run(site, *asked, "--from-influx", "--sink", "spare").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (
            ("north", "reboiler_temprature"),
            2,
            "called reboiler_temprature",
        ),
        (("west", "x"), 2, "no values of a unit called west; of: north"),
        (("--verify",), 2, "--verify checks the journal"),
    ],
)
def test_a_wrong_question_is_told(site: Path, arguments: tuple[str, ...], code: int, message: str) -> None:
    result = run(site, *arguments, "--from-influx")
    assert (result.exit_code, message in result.stderr) == (code, True), result.stderr


def test_what_must_be_there_first(site: Path, tmp_path: Path) -> None:
    result = run(tmp_path / "tegwatch-journal.sqlite3", "north", "x", "--from-influx")
    assert (result.exit_code, "needs the site file" in result.stderr) == (2, True)
    (tmp_path / "token").unlink()
    result = run(site, "--list", "--from-influx")
    assert (result.exit_code, "cannot read file" in result.stderr) == (1, True)
    site.write_text(site.read_text().partition("[[sinks]]")[0])
    result = run(site, "--list", "--from-influx")
    assert (result.exit_code, "no sink of kind influx" in result.stderr) == (2, True)
