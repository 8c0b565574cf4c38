"""``tegwatch simulate`` as the process that it is."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
import typer
from pyModbusTCP.client import ModbusClient
from typer.testing import CliRunner

from daemon.cli.simulate import simulate
from tests.support.brokers import free_port
from tests.support.narrow import present

app = typer.Typer(rich_markup_mode=None)
app.command()(simulate)

SITE = """
schema_version = 1
[site]
name = "one-unit"
elevation = "0 m"
unit_system = "si"
[site.pipeline_limit]
dew_point = "-8 degC"
pressure = "70 bara"
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
[[units]]
name = "alpha"
[units.gas]
specific_gravity = 0.6
[units.contactor]
theoretical_stages = 2.0
[units.reboiler]
set_point = "200 degC"
[[units.pumps]]
name = "p"
displacement = "100 cm3"
stall_rate = "10 /min"
maximum_rate = "40 /min"
[units.signals.reboiler_temperature]
controller = "plc"
table = "input"
address = 5
type = "int16"
scale = 0.1
unit = "degC"
"""


def test_it_prints_where_it_listens_answers_there_and_ends_on_a_signal(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=free_port()))
    program = "import typer; from daemon.cli.simulate import simulate; typer.run(simulate)"
    command = [sys.executable, "-c", program, str(site), "--json", "--free-ports", "--story", "burner-out"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        first = json.loads(present(process.stdout).readline())
        assert first["event"] == "listening"
        assert first["subject"] == "plc"
        client = ModbusClient("127.0.0.1", first["port"])
        assert client.read_input_registers(5, 1)[0] == pytest.approx(2000, abs=30)
        client.close()
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=10)
    assert (process.returncode, errors) == (0, "")


def test_a_wrong_story_and_a_wrong_site_are_told_apart(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=free_port()))
    unknown = CliRunner().invoke(app, [str(site), "--story", "opera"])
    assert unknown.exit_code == 2
    assert "burner-out" in unknown.stderr
    missing = CliRunner().invoke(app, [str(tmp_path / "none.toml")])
    assert missing.exit_code == 3
    assert "no such file" in missing.stderr


def test_a_port_that_is_taken_is_said(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=1))
    taken = CliRunner().invoke(app, [str(site), "--bind", "192.0.2.1", "--duration", "0.2"])
    assert taken.exit_code == 1
    assert re.search(r"cannot simulate .*site\.toml", taken.stderr)


def test_the_example_to_copy_can_be_simulated_and_says_what_nobody_plays() -> None:
    example = str(files("config").joinpath("examples/first-site.toml"))
    command = [sys.executable, "-m", "daemon", "simulate", example, "--free-ports", "--duration", "0.3"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=40)
    assert done.returncode == 0, done.stderr
    assert "not played: ambient_temperature" in done.stdout
    assert "plc-1          listening" in done.stdout
