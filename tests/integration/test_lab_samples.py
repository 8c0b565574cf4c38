"""A laboratory sample entered on the command line moves the running daemon's results, over a restart too."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from config.alarm_set import resolve_alarms
from config.loader import parse_site
from daemon.journal.journal import Journal
from daemon.model import Link, LinkState, Reading, Scan, Status
from daemon.monitor.unit_monitor import UnitMonitor
from tests.integration.test_daemon import SITE, Plant, plant
from tests.support.daemon_process import DaemonProcess, run_command, running_daemon

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
__all__ = ["plant"]

HOURS = 3


def watched_before(folder: Path, site_text: str) -> None:
    """Leave a journal as a daemon does that has watched the unit for three hours until now."""
    site = parse_site(site_text, "site.toml")
    unit = site.units[0]
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    values = {
        "reboiler_temperature": 463.7, "contactor_temperature": 305.4, "contactor_pressure": 6.3e6,
        "gas_rate": 1.64, "stroke_rate": 0.2, "burner_on": 1.0,
    }  # fmt: skip
    count = HOURS * 60
    journal = Journal.open(folder / "tegwatch-journal.sqlite3", now=time.time())
    for number in range(count):
        wall, now = time.time() - 60.0 * (count - number), 60.0 * number
        readings = {
            name: Reading(value * (1.0 + 1e-4 * (number % 7) * (name != "burner_on")), Status.GOOD, wall, now)
            for name, value in values.items()
        }
        links = {"plc": Link(LinkState.UP, 0.0, now)}
        outcome = monitor.step(Scan(unit.name, number, wall, now, readings, links))
    assert outcome.checkpoint is not None
    journal.commit([outcome])
    journal.close()


async def shown(daemon: DaemonProcess, name: str) -> float:
    value = await daemon.until(lambda: daemon.value(name), lambda found: found["value"] is not None)
    return float(value["value"])


async def test_a_sample_moves_the_results_of_the_running_daemon(plant: Plant, tmp_path: Path) -> None:
    text = SITE.format(port=plant.port)
    site = tmp_path / "site.toml"
    site.write_text(text)
    watched_before(tmp_path, text)
    async with running_daemon(tmp_path) as daemon:
        lean, margin = await shown(daemon, "lean_mass_fraction"), await shown(daemon, "dew_point_margin")
        assert lean > 97.5
        code, out, err = await run_command(
            "sample",
            "add",
            str(site),
            "unit-1",
            "--lean-water",
            "2.6 wt%",
            "--taken",
            "-30min",
            "--as",
            "maria",
        )
        assert (code, err) == (0, "")
        kept, effect = out.splitlines()
        assert kept == "kept: lab sample: lean 2.6 wt% water"
        assert effect.startswith("the sample with 2.60 wt% of water where 1.")
        assert "corrects the lean purity" in effect
        bias = await shown(daemon, "lean_purity_bias")
        assert bias < -0.3  # wt%
        corrected = await daemon.until(
            lambda: shown(daemon, "lean_mass_fraction"), lambda found: found < lean - 0.3
        )
        assert await shown(daemon, "calculated_lean_mass_fraction") == pytest.approx(
            corrected - bias, abs=0.02
        )
        assert await shown(daemon, "dew_point_margin") < margin - 2.0  # delta degF
        code, out, _ = await run_command(
            "sample",
            "add",
            str(site),
            "unit-1",
            "--lean-water",
            "2.6 wt%",
            "--taken",
            "-20d",
            "--as",
            "maria",
        )
        assert code == 0
        assert "is not used: it was drawn more than 14 days ago" in out
        await daemon.kill()
    async with running_daemon(tmp_path) as daemon:
        assert await shown(daemon, "lean_purity_bias") == pytest.approx(bias, abs=0.02)
        code, out, _ = await run_command(
            "maintenance", "add", str(site), "unit-1", "glycol change", "--as", "jo"
        )
        assert code == 0
        assert "without samples again: glycol change" in out
        again = await daemon.until(
            lambda: shown(daemon, "lean_mass_fraction"), lambda found: found > corrected + 0.3
        )
        assert again == pytest.approx(lean, abs=0.02)
        code, out, _ = await run_command("history", str(site), "--records", "--from", "-1h")
        assert code == 0
        assert out.count("lean purity") >= 3
