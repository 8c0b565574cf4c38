"""The flat package names are ours alone in this environment, and the wheel holds all that is needed."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from importlib.metadata import entry_points, packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NAMES = ("calc", "config", "daemon")


@pytest.mark.parametrize("name", NAMES)
def test_no_other_distribution_owns_the_package(name: str) -> None:
    """Another distribution with a package of this name would silently overwrite ours, or be overwritten."""
    assert set(packages_distributions().get(name, [])) <= {"tegwatch"}


def test_the_command_is_installed() -> None:
    (command,) = entry_points(group="console_scripts", name="tegwatch")

    assert command.value == "daemon.cli:main"


def test_the_top_level_holds_nothing_else() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in listed.splitlines() if not line.startswith(".")}

    assert top <= {"README.md", "DEVELOPERS.md", "pyproject.toml", *NAMES, "tests", "docker"}


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_wheel_runs_in_an_environment_of_its_own(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "build", "--outdir", str(tmp_path), str(ROOT)],
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    packaged = {name.split("/")[0] for name in names if ".dist-info" not in name}
    assert packaged == set(NAMES)
    for tracked in subprocess.run(
        ["git", "ls-files", *NAMES], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines():
        assert tracked in names

    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "env")], check=True)
    binaries = tmp_path / "env" / "bin"
    subprocess.run([binaries / "pip", "install", "--quiet", str(wheel)], check=True)
    help_text = subprocess.run(
        [binaries / "tegwatch", "--help"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert "demo" in help_text
