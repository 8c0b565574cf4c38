"""The report as a file: whole, self-contained, in the site's units, escaped; and its command."""

from __future__ import annotations

import datetime
import re
import xml.etree.ElementTree as ET
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from config.loader import load_site
from daemon.cli.commands import app
from daemon.report.plots import Frame, Line, Mark, histogram, time_ticks, trend
from tests.support.recorded_run import BEGIN, DOWN, RecordedRun

DENVER = datetime.timezone(datetime.timedelta(hours=-6))


def iso(time: float) -> str:
    return datetime.datetime.fromtimestamp(time, datetime.UTC).isoformat()


@pytest.fixture(scope="module")
def site_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo site with ten minutes of history: a hot reboiler, a lost controller."""
    path = tmp_path_factory.mktemp("report") / "site.toml"
    text = resources.files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    site = load_site(path)
    run = RecordedRun(path.parent / site.journal.path, site)
    run.run(300)
    run.run(60, {"reboiler_temperature": 481.0})
    run.run(40, link=DOWN)
    run.run(200)
    run.close()
    return path


def ask(site_file: Path, *arguments: str) -> tuple[int, str]:
    output = str(site_file.with_name("report.html"))
    answer = CliRunner().invoke(app, ["report", str(site_file), "--output", output, *arguments])
    return answer.exit_code, answer.output


SPAN = ("--unit", "north", "--from", iso(BEGIN + 1.0), "--to", iso(BEGIN + 601.0))


def test_the_report_is_one_whole_file(site_file: Path) -> None:
    code, _ = ask(site_file, *SPAN, "--gas-price", "3.5")
    assert code == 0
    text = site_file.with_name("report.html").read_text(encoding="utf-8")
    assert not re.search(r"<script|src=|href=|url\(|@import|https?:", text)
    body = text[text.index("<body>") : text.index("</html>")]
    page = ET.fromstring(body)  # every element is closed, every text is escaped
    headings = [each.text for each in page.iter("h2")]
    assert headings == [
        "In short", "Trends", "Circulation", "Glycol and reboiler", "Pump p-101", "Alarms",
        "Samples and maintenance", "Data",
    ]  # fmt: skip
    assert len(list(page.iter("svg"))) == 8
    cells = ["".join(each.itertext()) for each in page.iter("td")]
    assert "600, covering 100.0 % of the time" in cells
    assert "Reboiler temperature high-high" in cells
    assert any("406" in cell and "°F" in cell for cell in cells)
    assert any("Mscf, worth" in cell for cell in cells)
    assert "no safety system" in body


def test_nothing_stored_is_said(site_file: Path) -> None:
    code, output = ask(site_file, "--unit", "north", "--from", "-2h")
    assert code == 1
    assert "nothing is stored between these times" in output


def test_the_unit_must_be_one_there_is(site_file: Path) -> None:
    code, output = ask(site_file, "--unit", "west")
    assert code == 2
    assert "north, south" in output


def test_a_file_that_cannot_be_written_is_named(site_file: Path) -> None:
    answer = CliRunner().invoke(app, ["report", str(site_file), "--output", "/no/such/folder/x.html", *SPAN])
    assert answer.exit_code == 1
    assert "/no/such/folder/x.html: cannot be written" in answer.output


def frame(hours: float) -> Frame:
    times = np.linspace(BEGIN, BEGIN + hours * 3600.0, 50)
    return Frame(float(times[0]), float(times[-1]), times, DENVER)


def test_a_line_breaks_where_values_are_missing() -> None:
    values = np.linspace(1.0, 2.0, 50)
    values[20:25] = np.nan
    drawing = trend(
        "A < B", "°F", frame(5.0), [Line("", values, values - 0.1, values + 0.1)], [Mark("x", 3.0)]
    )
    assert drawing.count("<polyline") == 2
    assert drawing.count("<polygon") == 2
    assert "A &lt; B" in drawing
    assert "NaN" not in drawing
    assert "nan" not in drawing
    ET.fromstring(drawing)


def test_without_values_a_plot_says_so() -> None:
    nothing = np.full(50, np.nan)
    assert "no usable values" in trend("t", "u", frame(5.0), [Line("", nothing)], [Mark("limit", 1.0)])
    assert "no usable values" in histogram("t", "u", [0.0, 1.0], [0.0])


def test_a_level_line_that_never_moves_can_be_drawn() -> None:
    ET.fromstring(trend("t", "u", frame(5.0), [Line("", np.full(50, 7.0))]))


def test_time_ticks_are_round_in_the_sites_zone() -> None:
    ticks = time_ticks(BEGIN, BEGIN + 24 * 3600.0, DENVER)
    assert [label for _, label in ticks] == [
        "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "10 Oct",
    ]  # fmt: skip
    assert all(time % 10800 == 0 for time, _ in ticks)
    assert len(time_ticks(BEGIN, BEGIN + 300 * 86400.0, DENVER)) <= 12
