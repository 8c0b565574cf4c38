"""``tegwatch history`` into files: columnar export, pictures, days of the site's own time zone."""

from __future__ import annotations

import datetime
import re
import xml.etree.ElementTree as ET
import zoneinfo
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest
import typer
from typer.testing import CliRunner

from config.loader import load_site
from config.site import ArchiveSettings
from daemon.cli.history import history
from daemon.journal.archiver import Archiver
from daemon.journal.catalogue import catalogue_of
from daemon.journal.grid import Grid
from daemon.journal.journal import Journal
from daemon.model import AlarmState, OperatingState, Outcome, Reading, Result, Status
from tests.support.outcomes import transition

DENVER = zoneinfo.ZoneInfo("America/Denver")
START = datetime.datetime(2025, 11, 1, tzinfo=DENVER).timestamp()  # a day before the clocks go back
PERIOD = 120.0

app = typer.Typer()
app.command()(history)


def run(*arguments: object):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def scan(n: int) -> Outcome:
    at = START + n * PERIOD
    hot = Reading(463.70556 + n % 7 * 0.05, Status.GOOD, at, at)
    if 600 <= n < 620:
        hot = hot.degraded(Status.BAD_SENSOR_FAILURE, "open circuit")
    alarms = ()
    if n in {900, 960}:
        states = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED
        previous, state = states if n == 900 else states[::-1]
        step = transition(n, alarm="reboiler_temperature_high")
        alarms = (replace(step, time=at, previous=previous, state=state),)
    results = {"dew_point_margin": Result(3.0 + n % 5 * 0.1, 1.5, Status.GOOD)}
    return Outcome("north", n, at, at, OperatingState.DRYING, {"reboiler_temperature": hot}, results, alarms)


@pytest.fixture(scope="module", params=["journal", "archive"])
def site(tmp_path_factory, request) -> Path:
    """Three days of scans around the change of the clocks, all in the journal or most in the archive."""
    folder = tmp_path_factory.mktemp(request.param)
    site = folder / "site.toml"
    site.write_text((Path(__file__).parents[3] / "config" / "examples" / "demo.toml").read_text())
    journal = Journal.open(folder / "tegwatch-journal.sqlite3", now=START)
    journal.commit([scan(n) for n in range(round(3 * 86400 / PERIOD))])
    if request.param == "archive":
        catalogue = catalogue_of(load_site(site))
        done = Archiver(journal, ArchiveSettings(), catalogue, folder).run(START + 3 * 86400.0)
        assert done.scans > 1500
    journal.close()
    return site


SPAN = ("--from", "2025-11-01T00:00", "--to", "2025-11-04T00:00")


def test_a_day_is_the_sites_own_day_also_when_the_clocks_change(site):
    result = run(site, "north", "reboiler_temperature", *SPAN, "--every", "1d", "--format", "csv")
    lines = [line.split(",") for line in result.stdout.splitlines()[1:]]
    assert [line[0] for line in lines] == [
        "2025-11-01T00:00:00-06:00", "2025-11-02T00:00:00-06:00", "2025-11-03T00:00:00-07:00",
    ]  # fmt: skip
    assert [int(line[1]) for line in lines] == [720, 750, 690]  # 24 h, 25 h, and what is there of the third


def test_the_hour_that_comes_twice_is_two_hours(site):
    span = ("--from", "2025-11-02T00:00", "--to", "2025-11-02T04:00")
    result = run(site, "north", "reboiler_temperature", *span, "--every", "1h", "--format", "csv")
    times = [line.split(",")[0][11:] for line in result.stdout.splitlines()[1:]]
    assert times == [
        "00:00:00-06:00", "01:00:00-06:00", "01:00:00-07:00", "02:00:00-07:00", "03:00:00-07:00",
    ]  # fmt: skip


def test_a_columnar_file_holds_what_the_csv_holds(site, tmp_path):
    path = tmp_path / "out.parquet"
    asked = (site, "north", "reboiler_temperature", "dew_point_margin", *SPAN)
    assert run(*asked, "--format", "parquet", "--output", path).exit_code == 0
    table = pq.read_table(path)
    assert table.column_names == [
        "time", "state", "reboiler_temperature", "reboiler_temperature uncertainty",
        "reboiler_temperature quality", "dew_point_margin", "dew_point_margin uncertainty",
        "dew_point_margin quality",
    ]  # fmt: skip
    assert table.num_rows == 2160
    assert table["time"][0].as_py() == datetime.datetime.fromtimestamp(START, DENVER)
    assert table.schema.field("reboiler_temperature").metadata[b"unit"].decode() == "°F"
    assert table["reboiler_temperature"][0].as_py() == pytest.approx(375.0, abs=0.06)
    assert table["reboiler_temperature"].null_count == 20
    assert set(table["reboiler_temperature quality"].to_pylist()) == {"Good", "BadSensorFailure"}
    hours = tmp_path / "hours.parquet"
    assert run(*asked, "--every", "1h", "--format", "parquet", "--output", hours).exit_code == 0
    summed = pq.read_table(hours)
    assert sum(summed["scans"].to_pylist()) == 2160
    assert sum(summed["reboiler_temperature count"].to_pylist()) == 2140


def test_text_goes_into_a_file_too(site, tmp_path):
    path = tmp_path / "out.csv"
    result = run(site, "north", "dew_point_margin", *SPAN, "--format", "csv", "--output", path)
    assert (result.exit_code, result.stdout) == (0, "")
    assert len(path.read_text().splitlines()) == 2161


def test_a_picture_says_limits_alarms_units_and_gaps(site, tmp_path):
    path = tmp_path / "trend.svg"
    result = run(site, "north", "reboiler_temperature", "dew_point_margin", *SPAN, "--plot", path)
    assert result.exit_code == 0, result.output
    ET.parse(path)
    said = re.findall(r"<!-- (.*?) -->", path.read_text())
    assert "reboiler_temperature [°F]" in said
    far = next(text for text in said if text.startswith("off the scale"))
    assert "▲ Reboiler temperature high 402.0 °F" in far, "drawn, it would press the trend flat"
    assert "▼ Reboiler temperature low while circulating 370.0 °F" in far
    assert "▼ Dew-point margin low 5.0 °F" in said
    assert "shaded: reboiler_temperature_high" in said
    assert any("red marks at the foot: bad quality" in text for text in said)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--format", "parquet"), "needs --output"),
        (("--plot", "trend.gif"), ".png, .svg or .pdf"),
        (("--plot", "a.png", "--records"), "leave --output and --records away"),
        (("--records", "--format", "parquet", "--output", "x"), "records are written as"),
    ],
)
def test_what_does_not_go_together(site, arguments, complaint):
    result = run(site, "north", "dew_point_margin", *SPAN, *arguments)
    assert result.exit_code == 2
    assert complaint in result.output


def test_a_file_that_cannot_be_written(site, tmp_path):
    for arguments in (("--format", "csv", "--output"), ("--format", "parquet", "--output"), ("--plot",)):
        result = run(site, "north", "dew_point_margin", *SPAN, *arguments, tmp_path / "no" / "where.png")
        assert result.exit_code == 1
        assert "cannot be written" in result.output


def test_a_damaged_archive_file_is_named_after_the_rest(site, tmp_path):
    files = sorted((site.parent / "tegwatch-archive").glob("*/scans-*"))
    if not files:
        return
    whole = files[0].read_bytes()
    files[0].write_bytes(whole[:100])
    result = run(site, "north", "dew_point_margin", *SPAN)
    files[0].write_bytes(whole)
    assert result.exit_code == 6
    assert files[0].name in result.output.replace("\n", "")
    assert len(result.stdout.splitlines()) > 1000


class TestGrid:
    @pytest.mark.parametrize(
        ("zone", "width", "moment", "start"),
        [
            ("America/Denver", 86400, "2025-03-09T12:00", "2025-03-09T00:00-07:00"),
            ("America/Denver", 86400, "2025-11-02T23:30", "2025-11-02T00:00-06:00"),
            ("America/Denver", 6 * 3600, "2025-11-02T05:59", "2025-11-02T00:00-06:00"),
            ("Asia/Kolkata", 3600, "2025-06-01T10:59", "2025-06-01T10:00+05:30"),
            ("Australia/Lord_Howe", 3600, "2025-04-06T03:10", "2025-04-06T03:00+10:30"),
            ("America/Denver", 900, "2025-11-02T05:59", "2025-11-02T05:45-07:00"),
        ],
    )
    def test_buckets_begin_by_the_wall(self, zone, width, moment, start):
        zone = zoneinfo.ZoneInfo(zone)
        at = datetime.datetime.fromisoformat(moment).replace(tzinfo=zone).timestamp()
        assert Grid(width, zone).start(at) == datetime.datetime.fromisoformat(start).timestamp()

    def test_hours_of_a_zone_half_an_hour_off_are_made_of_minutes(self):
        assert Grid(3600.0).whole(3600.0)
        assert Grid(3600.0, DENVER).whole(3600.0)
        assert not Grid(3600.0, zoneinfo.ZoneInfo("Asia/Kolkata")).whole(3600.0)
        assert Grid(3600.0, zoneinfo.ZoneInfo("Asia/Kolkata")).whole(60.0)
        assert not Grid(45.0).whole(60.0)
