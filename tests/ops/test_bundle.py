"""The offline bundle installs without any index, notices what was changed on its way, and works."""

from __future__ import annotations

import os
import subprocess
import tarfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
OFFLINE = {"PATH": os.environ["PATH"], "PIP_CONFIG_FILE": os.devnull, "PIP_NO_INDEX": "1"}
"""No index, no proxy, no settings of this box."""

pytestmark = [pytest.mark.nightly, pytest.mark.timeout(3600)]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bundle as a person has it on the box, its check sum compared."""
    folder = tmp_path_factory.mktemp("carried")
    subprocess.run([ROOT / "docker" / "bundle", folder], check=True, capture_output=True)
    (archive,) = folder.glob("tegwatch-*-offline.tar.gz")
    subprocess.run(["sha256sum", "--check", f"{archive.name}.sha256"], cwd=folder, check=True)
    with tarfile.open(archive) as bundle:
        bundle.extractall(folder, filter="data")
    return folder / archive.name.removesuffix(".tar.gz")


def test_it_installs_without_an_index_and_checks_a_site(unpacked: Path, tmp_path: Path) -> None:
    place = tmp_path / "tegwatch"
    done = subprocess.run(
        [unpacked / "install", place], env=OFFLINE, cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "(commit " in done.stdout
    assert "commit unknown" not in done.stdout

    command = place / "bin" / "tegwatch"
    written = subprocess.run(
        [command, "init", "site.toml", "--name", "x"], env=OFFLINE, cwd=tmp_path, check=True
    )
    assert written.returncode == 0
    checked = subprocess.run(
        [command, "check", "site.toml"], env=OFFLINE, cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert "dew_point" in checked.stdout or "dew point" in checked.stdout


def test_a_bundle_that_was_changed_installs_nothing(unpacked: Path, tmp_path: Path) -> None:
    lock = unpacked / "requirements.lock"
    before = lock.read_text()
    lock.write_text(before + "# changed\n")
    try:
        done = subprocess.run(
            [unpacked / "install", tmp_path / "env"], env=OFFLINE, capture_output=True, text=True, check=False
        )
    finally:
        lock.write_text(before)
    assert done.returncode == 1
    assert "not as it was made" in done.stderr
    assert not (tmp_path / "env").exists()
