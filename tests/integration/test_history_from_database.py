"""The daemon fills a database; the command line asks journal and database and gets the same words."""

from __future__ import annotations

import datetime
import time
from pathlib import Path

import pytest

from tests.integration.test_daemon import SITE, Plant, plant
from tests.support.daemon_process import run_command, running_daemon
from tests.support.influx_server import influx_server

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
__all__ = ["plant"]

SINK = """
[[sinks]]
kind = "influx"
name = "history"
url = "http://127.0.0.1:{port}"
org = "gas"
bucket = "teg"
token_file = "token"
read_token_file = "token"
"""


async def test_what_the_daemon_sent_is_what_it_kept(plant: Plant, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("t0ken\n")
    (tmp_path / "token").chmod(0o600)
    site = str(tmp_path / "site.toml")
    began = time.time()
    async with influx_server() as server:
        text = SITE.format(port=plant.port) + SINK.format(port=server.port)
        async with running_daemon(tmp_path, text) as daemon:
            await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 10)
            plant.put(reboiler=400.0)
            raised = await daemon.until(
                lambda: daemon.alarm("reboiler_temperature_high"), lambda alarm: alarm["state"] == "UNACK"
            )
            assert raised["priority"]
            sent = len(server.points)
            await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 45)
            await daemon.stop()  # what is on its way is sent before it ends, or waits in the journal
        assert len(server.points) > sent > 0
        # Points have whole microseconds: an edge on a scan could part it from its point.
        newest = (
            -0.05 + max(when for series, when in server.points if series.startswith("tegwatch_state")) / 1e9
        )
        span = [datetime.datetime.fromtimestamp(at, datetime.UTC).isoformat() for at in (began, newest)]
        for question in (
            ["unit-1", "reboiler_temperature", "dew_point_margin"],
            ["unit-1", "gas_rate", "lean_mass_fraction", "--every", "2s"],
            ["unit-1", "--records"],
        ):
            answers = [
                await run_command("history", site, *question, "--from", span[0], "--to", span[1], *there)
                for there in ([], ["--from-influx"])
            ]
            assert answers[0][1].splitlines() == answers[1][1].splitlines(), [each[2] for each in answers]
            assert answers[0] == answers[1]
            code, said, complained = answers[0]
            assert (code, complained) == (0, "")
            assert said.count("\n") > 3 or "--records" in question
            assert "reboiler_temperature_high" in said or "--records" not in question
