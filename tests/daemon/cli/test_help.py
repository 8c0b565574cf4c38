"""``--help`` is quick, says everything that its author wrote, and gives an example that could be typed."""

from __future__ import annotations

import inspect
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from config.alarm_set import packaged_alarms
from daemon.cli.commands import app

HEAVY = (
    "aiomqtt", "aiosmtplib", "amqtt", "argon2", "duckdb", "fastapi", "google.protobuf", "httpx",
    "influxdb_client", "jinja2", "numpy", "pint", "prometheus_client", "pyarrow", "pydantic", "pymodbus",
    "sqlite3", "structlog", "uvicorn", "zxcvbn",
)  # fmt: skip
"""What a command may need, and ``--help`` never does."""

IMPORTS = f"""
import sys
from typer.testing import CliRunner
from daemon.cli.commands import app
assert CliRunner().invoke(app, ["--help"]).exit_code == 0
print(*(name for name in {HEAVY!r} if name in sys.modules))
"""


def commands(group: Any = None, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Walk over every command that does something, with the words that lead to it."""
    for name, command in (group or typer.main.get_command(app)).commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name), command


EVERY = list(commands())
each_command = pytest.mark.parametrize(("path", "command"), EVERY, ids=[" ".join(path) for path, _ in EVERY])


def written(command: Any) -> str:
    """Return all words that the author of a command wrote for its help."""
    texts = [inspect.getdoc(command.callback) or "", command.epilog or ""]
    texts += [getattr(parameter, "help", None) or "" for parameter in command.params]
    return " ".join(texts)


def words(text: str) -> str:
    """Take away frames and the way lines are broken."""
    return re.sub(r"[\s│╭╮╰╯─`*]+", "", text)


def test_help_imports_nothing_that_only_a_command_needs() -> None:
    done = subprocess.run([sys.executable, "-c", IMPORTS], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


@each_command
def test_nothing_that_stands_in_brackets_is_lost(path: tuple[str, ...], command: Any) -> None:
    shown = words(CliRunner().invoke(app, [*path, "--help"], env={"COLUMNS": "400"}).output)
    for bracket in re.findall(r"\[[^\]]+\]", written(command)):
        assert words(bracket) in shown, f"tegwatch {' '.join(path)} --help swallows {bracket}"


@each_command
def test_every_command_has_an_example_of_itself(path: tuple[str, ...], command: Any) -> None:
    text = f"{inspect.getdoc(command.callback)} {command.epilog or ''}"
    assert re.search(rf"Example:.*?tegwatch\s+{' '.join(path)}\b", text, re.DOTALL), (
        f"{' '.join(path)} has no example"
    )


@each_command
def test_a_site_file_is_called_alike_everywhere(path: tuple[str, ...], command: Any) -> None:
    for parameter in command.params:
        if parameter.name == "site_file":
            assert (parameter.metavar or "").lstrip("[").startswith("SITE"), (
                f"{' '.join(path)}: {parameter.metavar}"
            )


def test_alarms_of_examples_are_alarms() -> None:
    named = {
        alarm
        for path, command in EVERY
        if path[0] == "alarms" and takes_an_alarm(command)
        for alarm in shlex.split(command.epilog)[6:7]
    }
    assert len(named) >= 3
    assert named <= set(packaged_alarms())


def takes_an_alarm(command: Any) -> bool:
    return any(parameter.name == "alarm" for parameter in command.params)
