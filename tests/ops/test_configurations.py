"""What was in force can be read again: the text, by whom and why, without secrets, and tampering shows."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.loader import configuration_hash, load_with_texts
from daemon.app import run_daemon
from daemon.cli.commands import app
from daemon.configurations import Configurations, checksum
from daemon.parts import kept_texts
from tests.support.brokers import free_port
from tests.support.sites import _SITE

RUNNER = CliRunner()
SECRET = "velvet-otter-41"
SINK = """
[[sinks]]
kind = "webhook"
name = "hook"
url = "https://hub.example/in?token=hunter2"
secret_file = "hook.secret"
"""


def write_site(folder: Path, port: int, trays: int) -> Path:
    controller = f"""
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
"""
    signal = """
[units.signals.reboiler_temperature]
controller = "plc"
table = "holding"
address = 0
type = "float32"
unit = "degF"
"""
    text = _SITE.format(controllers=controller, signals=signal, rest=SINK + f"# once said: {SECRET}\n")
    file = folder / "site.toml"
    file.write_text(text.replace("trays = 8", f"trays = {trays}"))
    return file


def listed(file: Path) -> list[dict[str, str]]:
    done = RUNNER.invoke(app, ["configurations", "list", str(file), "--json"])
    return [json.loads(line) for line in done.output.splitlines() if line.startswith("{")]


async def run_once(file: Path) -> str:
    """Start the daemon on a site file and stop it; returns the configuration's hash."""
    loaded = load_with_texts(file)
    stop = asyncio.Event()
    await run_daemon(loaded.site, file.parent, stop=stop, ready=stop.set, texts=loaded.texts)
    return configuration_hash(loaded.site)


@pytest.fixture
async def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, str, str]:
    """A site that was started with eight trays, then with nine."""
    monkeypatch.setattr("daemon.app.STOP_LIMIT", 0.0)  # its webhook has nobody to deliver to
    (tmp_path / "hook.secret").write_text(SECRET + "\n")
    (tmp_path / "hook.secret").chmod(0o600)
    port = free_port()
    first = await run_once(write_site(tmp_path, port, 8))
    file = write_site(tmp_path, port, 9)
    return file, first, await run_once(file)


def test_old_texts_are_listed_shown_and_compared_without_secrets(two: tuple[Path, str, str]) -> None:
    file, first, second = two

    assert [(one["configuration"], one["how"], one["state"]) for one in listed(file)] == [
        (first, "started", "kept"),
        (second, "started", "kept"),
    ]
    shown = RUNNER.invoke(app, ["configurations", "show", str(file), first[:6]]).output
    assert "trays = 8" in shown
    assert "# once said: (hidden)" in shown
    assert SECRET not in shown
    assert "hunter2" not in shown
    lines = RUNNER.invoke(app, ["configurations", "diff", str(file), first, second]).output.splitlines()
    assert [line for line in lines if line[:1] in "+-" and line[:3] not in {"+++", "---"}] == [
        "-trays = 8",
        "+trays = 9",
    ]
    folder = file.parent / "configurations"
    assert folder.stat().st_mode & 0o077 == 0
    assert SECRET not in "".join(path.read_text() for path in folder.rglob("*") if path.is_file())


def test_a_text_that_was_changed_afterwards_shows(two: tuple[Path, str, str]) -> None:
    file, first, _ = two
    (kept,) = (file.parent / "configurations").glob(f"{first}-*/site.toml")
    kept.write_text(kept.read_text().replace("trays = 8", "trays = 7"))

    done = RUNNER.invoke(app, ["configurations", "list", str(file)])

    assert done.exit_code == 6
    assert f"{first}  started   text changed since" in done.output


def test_what_cannot_be_kept_stops_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = load_with_texts(write_site(tmp_path, 502, 8))
    monkeypatch.setattr("daemon.configurations.KEPT", 1)
    assert kept_texts(loaded.site, {}, tmp_path) is None
    assert kept_texts(loaded.site, loaded.texts, tmp_path) is not None
    (tmp_path / "blocked").write_text("")
    blocked = loaded.site.model_copy(
        update={"journal": loaded.site.journal.model_copy(update={"path": "blocked/journal.sqlite3"})}
    )
    assert kept_texts(blocked, loaded.texts, tmp_path) is None


def test_tables_of_one_name_are_both_kept_and_the_oldest_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.configurations.KEPT", 2)
    site = load_with_texts(write_site(tmp_path, 502, 8)).site
    store = Configurations(tmp_path / "journal.sqlite3")
    sums = [
        store.keep(f"cafe{n}", site, {"a/map.csv": f"{n}", "b/map.csv": "other"}, tmp_path) for n in range(3)
    ]
    assert store.texts("cafe0", sums[0]) == {}
    kept = store.texts("cafe2", sums[2])
    assert kept == {"map.csv": "2", "other-map.csv": "other"}
    assert checksum(kept) == sums[2]
