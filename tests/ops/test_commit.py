"""A built program says from which commit it comes; where nobody knows, it says so."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

from daemon import build_info
from tests.support.daemon_process import run_command

ROOT = Path(__file__).parents[2]


@pytest.fixture
def hook(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The build hook, which lies outside the packages; the builder that calls it is not installed here."""
    builder = ModuleType("hatchling.builders.hooks.plugin.interface")
    builder.BuildHookInterface = list  # type: ignore[attr-defined]  # any class with a parameter will do
    monkeypatch.setitem(sys.modules, builder.__name__, builder)
    spec = importlib.util.spec_from_file_location("build_hook", ROOT / "docker" / "build_hook.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def git(folder: Path, *words: str) -> str:
    identity = ["-c", "user.name=kim", "-c", "user.email=kim@example.org"]
    done = subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True, text=True)
    return done.stdout.strip()


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    git(tmp_path, "init", "-q")
    (tmp_path / "a").write_text("1")
    git(tmp_path, "add", "a")
    git(tmp_path, "commit", "-q", "-m", "first")
    return tmp_path


def test_the_commit_is_asked_of_the_repository_and_changes_show(hook: ModuleType, repository: Path) -> None:
    commit = git(repository, "rev-parse", "HEAD")
    assert hook.commit_of(repository, "") == commit
    (repository / "a").write_text("2")
    assert hook.commit_of(repository, "") == f"{commit}+changes"


def test_without_a_repository_it_is_what_the_build_was_told(hook: ModuleType, tmp_path: Path) -> None:
    assert hook.commit_of(tmp_path, "") is None
    assert hook.commit_of(tmp_path, "0123abc") == "0123abc"
    with pytest.raises(ValueError, match="is no commit"):
        hook.commit_of(tmp_path, "latest; rm -rf /")


def test_a_repository_around_the_sources_is_not_taken_for_theirs(hook: ModuleType, repository: Path) -> None:
    inside = repository / "unpacked"
    inside.mkdir()
    assert hook.commit_of(inside, "") is None


def test_a_program_that_runs_from_its_sources_says_unknown(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(build_info, "files", lambda _: tmp_path)
    assert build_info.commit() == build_info.UNKNOWN_COMMIT
    (tmp_path / build_info.COMMIT_FILE).write_text("0123abc\n")
    assert build_info.commit() == "0123abc"


async def test_the_command_says_version_and_commit() -> None:
    code, output, _ = await run_command("--version")
    assert (code, output.strip()) == (0, build_info.described())


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_wheel_and_archive_of_sources_carry_the_commit(tmp_path: Path) -> None:
    """The wheel is built from the archive of sources, where no repository is any more."""
    subprocess.run(
        [sys.executable, "-m", "build", "--outdir", str(tmp_path), str(ROOT)], check=True, capture_output=True
    )
    (wheel,) = tmp_path.glob("*.whl")
    carried = zipfile.ZipFile(wheel).read("daemon/commit.txt").decode().strip()
    assert carried.removesuffix("+changes") == git(ROOT, "rev-parse", "HEAD")
