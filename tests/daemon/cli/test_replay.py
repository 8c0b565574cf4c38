"""The replay command: what it says, what it prints for programs, how it ends."""

from __future__ import annotations

import datetime
import json
import re
from importlib import resources
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.loader import load_site
from daemon.cli.commands import app
from tests.support.recorded_run import BEGIN, DOWN, RecordedRun


def iso(time: float) -> str:
    return datetime.datetime.fromtimestamp(time, datetime.UTC).isoformat()


@pytest.fixture(scope="module")
def site_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo site with five minutes of history in which the controller was lost once."""
    path = tmp_path_factory.mktemp("replay-command") / "site.toml"
    text = resources.files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    site = load_site(path)
    run = RecordedRun(path.parent / site.journal.path, site)
    run.run(60)
    run.run(40, link=DOWN)
    run.run(200)
    run.close()
    return path


def ask(*arguments: str | Path) -> tuple[int, str]:
    span = ["--from", iso(BEGIN), "--to", iso(BEGIN + 400.0), "--unit", "north"]
    answer = CliRunner(env={"COLUMNS": "160"}).invoke(app, ["replay", *map(str, arguments), *span])
    return answer.exit_code, answer.output


def test_history_is_reproduced_by_its_own_configuration(site_file: Path) -> None:
    code, text = ask(site_file)
    assert code == 0
    assert re.search(r"Reproduced: all \d+ recorded transitions came out again, in their order, with", text)
    assert max(map(len, text.splitlines())) > 100  # into a pipe nothing is broken at a terminal's width
    assert "Controller lost" in text
    assert "no occurrence differs" in text


def test_another_configuration_stands_beside_it(site_file: Path) -> None:
    tuned = site_file.with_name("tuned.toml")
    text = site_file.read_text(encoding="utf-8")
    before, after = text.split("[alarms.controller_lost]")
    tuned.write_text(before + "[alarms.controller_lost]\nenabled = false\n" + after, encoding="utf-8")
    code, output = ask(site_file, "--config", tuned, "--json")
    assert code == 0
    [facts] = json.loads(output)
    assert (facts["unit"], facts["scans"], facts["restarts"]) == ("north", 300, 0)
    lost = [one for one in facts["occurrences"] if one["alarm"] == "controller_lost.north-plc"]
    assert [(one["recorded"] is None, one["replayed"]) for one in lost] == [(False, None)]
    assert 30.0 < lost[0]["recorded"]["duration"] < 45.0
    figures = facts["performance"]
    assert figures["replayed"]["annunciations"] == figures["recorded"]["annunciations"] - 1


def test_an_unfaithful_replay_is_a_finding(site_file: Path) -> None:
    changed = site_file.with_name("changed.toml")
    text = site_file.read_text(encoding="utf-8")
    before, after = text.split("[alarms.controller_lost]")
    changed.write_text(before + "[alarms.controller_lost]\nenabled = false\n" + after, encoding="utf-8")
    code, output = ask(changed)
    assert code == 6
    said = re.search(
        r"Not reproduced: (\d+) transitions were recorded, (\d+) came out; (\d+) are missing", output
    )
    assert said is not None
    recorded, replayed, differing = map(int, said.groups())
    assert 0 < differing == recorded - replayed
    assert "The whole span was replayed under the present configuration" in output
    assert "it was recorded under configuration" in output


def test_an_unknown_unit_is_named_with_those_there_are(site_file: Path) -> None:
    answer = CliRunner().invoke(app, ["replay", str(site_file), "--unit", "west"])
    assert answer.exit_code == 2
    assert "there are: north, south" in answer.output
