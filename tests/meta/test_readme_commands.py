"""Every command that README.md and DEVELOPERS.md mention exists with its options, and runs."""

from __future__ import annotations

import re
import shlex
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from daemon.cli.commands import app
from daemon.cli.exits import FINDINGS, OK
from tests.support.brokers import free_port
from tests.support.daemon_process import run_command, running_daemon
from tests.support.influx_server import influx_server
from tests.support.sites import _SITE

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
_IN_CODE = re.compile(r"`(?:\.venv/bin/)?tegwatch ([a-z][^`]*)`")
_IN_BLOCK = re.compile(r"^    (?:.*(?:&&|;) )?(?:\S*/)?tegwatch ([a-z].*)$", re.MULTILINE)
LONG = {"demo": ["--headless", "--duration", "6"], "simulate": ["--duration", "1", "--free-ports"]}
"""Commands that go on for ever, and how they end for a test."""

CONTROLLER = """
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
"""
DATABASE = """
[[sinks]]
kind = "influx"
name = "history"
url = "http://127.0.0.1:{port}"
org = "gas"
bucket = "teg"
token_file = "token"
"""
SIGNALS = "\n".join(
    f"""
[units.signals.{name}]
controller = "plc"
table = "holding"
address = {2 * number}
type = "float32"
unit = "{unit}"
"""
    for number, (name, unit) in enumerate(
        {
            "reboiler_temperature": "degF",
            "contactor_temperature": "degF",
            "contactor_pressure": "psig",
            "gas_rate": "MMscfd",
            "stroke_rate": "/min",
        }.items()
    )
)


def mentioned() -> list[str]:
    """Return the commands, without their ``tegwatch``, in the order in which a reader meets them."""
    found: dict[str, None] = {}
    for document in DOCUMENTS:
        text = (ROOT / document).read_text(encoding="utf-8")
        for command in (*_IN_CODE.findall(text), *_IN_BLOCK.findall(text)):
            found[command.split(" > ")[0].strip()] = None
    return list(found)


def words_of(command: str) -> list[str]:
    """Split a command as a shell would; brackets of optional parts fall away."""
    return shlex.split(re.sub(r"[\[\]]", "", command))


def command_of(words: list[str]) -> tuple[Any, list[str]]:
    """Return the command that the words lead to, and what follows its name."""
    command: Any = typer.main.get_command(app)
    rest = list(words)
    while is_group(command) and rest and rest[0] in command.commands:
        command = command.commands[rest.pop(0)]
    return command, rest


def is_group(command: Any) -> bool:
    return hasattr(command, "commands")


@pytest.mark.parametrize("command", mentioned())
def test_what_is_mentioned_exists(command: str) -> None:
    found, rest = command_of(words_of(command))

    options = {name for parameter in found.params for name in (*parameter.opts, *parameter.secondary_opts)}
    used = {word.split("=")[0] for word in rest if word.startswith("--")} - {"--help"}
    assert used <= options, f"tegwatch {command}: no {', '.join(sorted(used - options))}"
    if is_group(found):
        assert not [word for word in rest if not word.startswith("-")], f"tegwatch {command} does not exist"


def test_commands_are_found_in_the_documents() -> None:
    assert len(mentioned()) >= 8
    found, rest = command_of(["alarms", "list", "x"])
    assert (found.name, rest) == ("list", ["x"])
    assert CliRunner().invoke(app, ["alarms", "nonsense"]).exit_code == 2


def runnable(words: list[str], folder: Path) -> list[str] | None:
    """Put real things in the places of a document's words; ``None`` for a mention without what it needs."""
    places = {
        "SITE": str(folder / "site.toml"),
        "site.toml": str(folder / "site.toml"),
        "tuned.toml": str(folder / "site.toml"),
        "UNIT": "unit-1",
        "north": "unit-1",
        "NAME…": "dew_point_margin",
        "NAME": "dew_point_margin",
        "ALARM": "reboiler_temperature_high",
        "FOLDER": str(folder / "kept"),
        "daemon.log": str(folder / "daemon.log"),
        **{name: str(folder / name) for name in ("trend.png", "month.parquet", "month.html", "month.pdf")},
    }
    words = [places.get(word, word) for word in words]
    found, rest = command_of(words)
    needed = sum(one.param_type_name == "argument" and one.required for one in found.params)
    given = [word for word in rest if not word.startswith("--")]
    options = [one for one in found.params if one.param_type_name == "option" and one.required]
    lacking = [one for one in options if not set(one.opts) & set(rest)]
    bare = not rest and found.name not in LONG
    if is_group(found) or len(given) < needed or lacking or bare:
        return None
    if found.name == "init" and given:
        return ["init", str(folder / "new" / Path(given[0]).name), "--name", "x"]
    if found.name == "backup":  # never over an older one
        words[-1] = str(folder / f"backup-{len(list(folder.glob('backup-*')))}")
    if found.name == "doctor":
        words += ["--output", str(folder / "support.tar.gz")]
    return words + LONG.get(found.name or "", [])


@pytest.mark.slow
@pytest.mark.timeout(1200)
async def test_every_command_of_the_documents_runs(tmp_path: Path) -> None:
    """Beside a running daemon, as a reader would type them; those without arguments tell what they need."""
    (tmp_path / "new").mkdir()
    (tmp_path / "token").write_text("t0ken\n")
    (tmp_path / "token").chmod(0o600)
    failures = []
    async with AsyncExitStack() as services:
        database = await services.enter_async_context(influx_server())
        site = _SITE.format(
            controllers=CONTROLLER.format(port=free_port()),
            signals=SIGNALS,
            rest=DATABASE.format(port=database.port),
        )
        daemon = await services.enter_async_context(running_daemon(tmp_path, site))
        await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 1)
        for command in mentioned():
            words = runnable(words_of(command), tmp_path)
            if words is None or words[0] == "run":  # the daemon of this test is one
                words = [*words_of(command)[:1], "--help"]
            code, output, errors = await run_command(*words)
            if code not in {OK, FINDINGS}:
                failures.append(
                    f"tegwatch {command}\n  ran as {words}: exit {code}\n{output[-300:]}{errors[-600:]}"
                )
        await daemon.stop()
    assert not failures, "\n".join(failures)
