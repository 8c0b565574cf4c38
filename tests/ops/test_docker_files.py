"""The files under docker/: valid, pinned by hash, hardened. .ci/dockerfile-steps builds the image itself."""

from __future__ import annotations

import asyncio
import json
import re
import shutil
import socket
import subprocess
import threading
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from config.loader import load_site
from tests.support.brokers import free_port

DOCKER = Path(__file__).parents[2] / "docker"
ROOT = DOCKER.parent


def test_the_site_of_the_compose_file_is_valid_and_has_its_state_where_the_container_keeps_it() -> None:
    site = load_site(DOCKER / "site.toml")

    compose = (DOCKER / "compose.yaml").read_text()
    assert f"target: {Path(site.journal.path).parent}" in compose
    assert f"{Path(site.api.socket).parent}:uid=10001" in compose
    assert site.api.socket in (DOCKER / "Dockerfile").read_text()
    assert {one.host for one in site.controllers} == {"broker"}  # type: ignore[union-attr]  # both have one


@pytest.mark.parametrize("name", ["requirements.lock", "build.lock"])
def test_every_locked_package_has_hashes_and_the_file_names_no_host(name: str) -> None:
    text = (DOCKER / name).read_text()
    pinned = re.findall(
        r"^([a-z0-9][a-z0-9._-]*)==(\S+)(?: ; [^\n]+)? \\\n((?:    --hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)",
        text,
        re.MULTILINE,
    )
    starts = [line for line in text.splitlines() if line and line[0] not in " #"]

    assert len(pinned) == len(starts) > 3
    assert "://" not in text
    assert "--index" not in text
    assert "--find-links" not in text


def test_what_is_locked_is_what_the_project_asks_for() -> None:
    locked = set(re.findall(r"^([a-z0-9._-]+)==", (DOCKER / "requirements.lock").read_text(), re.MULTILINE))
    project = re.search(r"\ndependencies = \[\n(.*?)\n\]", (ROOT / "pyproject.toml").read_text(), re.DOTALL)
    assert project
    asked = {name.lower() for name in re.findall(r'^    "([A-Za-z0-9._-]+)', project[1], re.MULTILINE)}

    assert asked <= locked, f"run docker/lock: {sorted(asked - locked)} are not locked"


def test_every_service_is_hardened() -> None:
    """Read as text: a YAML reader would be one more dependency, and a setting keeps to its line."""
    text = (DOCKER / "compose.yaml").read_text()
    services = re.split(r"\n  (?=\w+:\n)", text.split("\nservices:\n")[1].split("\nnetworks:\n")[0])

    shared = text.split("x-hardened: &hardened\n")[1].split("\nservices:")[0]
    for setting in ("read_only: true", "cap_drop: [ALL]", "no-new-privileges:true"):
        assert setting in shared
    assert len(services) == 3
    for service in services:
        assert "<<: *hardened" in service
        assert re.search(r"mem_limit: \d+", service)
        assert re.search(r"pids_limit: \d+", service)
        assert re.search(r'user: "[1-9]\d*:[1-9]\d*"', service)
        assert "docker.sock" not in service
    assert "PASSWORD:" not in text
    assert "TOKEN:" not in text


def test_the_image_runs_without_root_and_knows_when_it_is_ill() -> None:
    text = (DOCKER / "Dockerfile").read_text()
    final = text[text.rindex("\nFROM ") :]

    assert re.search(r"^USER [1-9]\d*:[1-9]\d*$", final, re.MULTILINE)
    assert "HEALTHCHECK" in final
    assert all("--require-hashes" in line for line in text.splitlines() if "--requirement" in line)


@pytest.mark.slow
def test_the_service_is_hardened() -> None:
    """systemd's own judgement, the lower the better; a plain unit has 9.6."""
    tool = shutil.which("systemd-analyze")
    assert tool, "systemd-analyze is needed: apt-get install systemd"
    unit = DOCKER / "tegwatch.service"
    done = subprocess.run(
        [tool, "security", "--offline=yes", "--no-pager", str(unit)],
        capture_output=True,
        text=True,
        check=True,
    )
    score = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert score, done.stdout
    print(f"systemd exposure level {score[1]}")
    assert float(score[1]) <= 2.0


# ------------------------------------------------------------------------------------------- health check


def ask(path: Path) -> tuple[int, str]:
    done = subprocess.run(
        ["python3", str(DOCKER / "healthcheck.py"), str(path)], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout.strip()


@pytest.mark.parametrize(
    ("status", "body", "code", "words"),
    [
        ("200 OK", {"status": "ready", "reasons": []}, 0, ""),
        (
            "503 Service Unavailable",
            {"status": "not ready", "reasons": ["journal: full", "x"]},
            1,
            "journal: full; x",
        ),
        ("500 Internal Server Error", {}, 1, "the daemon answered 500"),
    ],
)
def test_the_health_check_says_what_the_daemon_says(
    tmp_path: Path, status: str, body: dict[str, Any], code: int, words: str
) -> None:
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen(1)
        heard: list[bytes] = []

        def answer() -> None:
            connection, _ = listener.accept()
            with connection:
                heard.append(connection.recv(4096))
                text = json.dumps(body)
                connection.sendall(f"HTTP/1.1 {status}\r\nContent-Length: {len(text)}\r\n\r\n{text}".encode())

        thread = threading.Thread(target=answer)
        thread.start()
        assert ask(path) == (code, words)
        thread.join(10)
    assert heard[0].startswith(b"GET /readyz ")


def test_the_health_check_fails_where_nobody_listens(tmp_path: Path) -> None:
    code, words = ask(tmp_path / "absent")
    assert code == 1
    assert words.startswith("no daemon answers on")


# ---------------------------------------------------------------------------------------------- secrets


def test_secrets_are_made_once_and_readable_by_their_owner_only(tmp_path: Path) -> None:
    folder = tmp_path / "secrets"
    make = ["python3", str(DOCKER / "make_secrets.py"), str(folder)]
    subprocess.run(make, check=True, capture_output=True)
    first = {path.name: path.read_text() for path in folder.iterdir()}
    subprocess.run(make, check=True, capture_output=True)

    assert {path.name: path.read_text() for path in folder.iterdir()} == first
    assert all(path.stat().st_mode & 0o777 == 0o400 for path in folder.iterdir())
    named = set(re.findall(r"file: ./secrets/(\S+) ", (DOCKER / "compose.yaml").read_text()))
    assert named <= set(first)
    assert first["influx_token"] == first["influx_token_database"]
    assert len({text for name, text in first.items() if name != "influx_token_database"}) == len(first) - 1


@pytest.mark.slow
async def test_the_broker_takes_these_passwords_and_keeps_everybody_in_his_place(tmp_path: Path) -> None:
    """On a real broker: who is unknown is refused; tegwatch cannot publish to the field."""
    tool = shutil.which("mosquitto")
    assert tool, "a broker is needed: apt-get install mosquitto"
    folder = tmp_path / "secrets"
    subprocess.run(["python3", str(DOCKER / "make_secrets.py"), str(folder)], check=True, capture_output=True)  # noqa: ASYNC221 - a moment
    port = free_port()
    settings = (DOCKER / "broker" / "mosquitto.conf").read_text()
    settings = settings.replace("listener 1883", f"listener {port} 127.0.0.1")
    settings = settings.replace("/run/secrets/broker_passwords", str(folder / "broker_passwords"))
    settings = settings.replace("/mosquitto/config/acl", str(DOCKER / "broker" / "acl"))
    settings = settings.replace("/mosquitto/data/", f"{tmp_path}/") + "user root\n"
    (tmp_path / "broker.conf").write_text(settings)
    process = await asyncio.create_subprocess_exec(
        tool, "-c", str(tmp_path / "broker.conf"), stderr=asyncio.subprocess.PIPE
    )
    try:
        assert process.stderr is not None
        async with asyncio.timeout(10):
            while b"running" not in await process.stderr.readline():
                pass

        def client(user: str) -> aiomqtt.Client:
            name, password = (folder / f"broker_{user}").read_text().split()
            return aiomqtt.Client("127.0.0.1", port, username=name, password=password)

        with pytest.raises(aiomqtt.MqttError):
            async with aiomqtt.Client("127.0.0.1", port):
                raise AssertionError("nobody is anonymous")
        async with client("tegwatch") as reader, client("field") as field, client("control-room") as room:
            await reader.subscribe("field/#")
            await room.subscribe("tegwatch/#")
            await room.subscribe("field/#")
            await reader.publish("field/unit-1/set_point", b"1", qos=1)  # dropped by the access list
            await room.publish("tegwatch/forged", b"1", qos=1)  # dropped too
            await field.publish("field/unit-1/gas_rate", b"5", qos=1)
            await reader.publish("tegwatch/alarm", b"x", qos=1)
            async with asyncio.timeout(10):
                assert str((await anext(aiter(reader.messages))).topic) == "field/unit-1/gas_rate"
                assert str((await anext(aiter(room.messages))).topic) == "tegwatch/alarm"
    finally:
        process.terminate()
        await process.wait()
