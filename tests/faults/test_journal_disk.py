"""A full disk, a disk whose fsync fails: alarms go on, values give way and are counted, no restart."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daemon.journal.journal import Journal

ROOT = Path(__file__).parents[2]
PROGRAM = [sys.executable, "-m", "tests.support.journal_on_bad_disk"]

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]


def needed(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{tool} is needed here and not installed")
        pytest.skip(f"{tool} is not installed")
    return found


def run(command: list[str]) -> dict[str, Any]:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    report: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return report


def check(report: dict[str, Any]) -> None:
    alarms = list(range(0, report["put"], 10))
    assert report["heard"] == alarms, "an alarm was told late, twice or never"
    assert report["told_before_stored"] > 0, "the disk never failed while an alarm came"
    assert report["last_alarm_for_sinks"] == alarms[-1]
    assert report["stored_alarms"] == alarms
    assert report["stored_scans"] + report["dropped"] == report["put"]
    assert report["wrong"] == []


def test_a_full_disk(tmp_path: Path) -> None:
    """A file system of 3 MB of its own, filled to the brim; the program makes room again."""
    inner = (
        'mount -t tmpfs -o size=3m tmpfs "$1" && head -c 2000k /dev/zero > "$1/ballast" && shift && exec "$@"'
    )
    own = ["-m"] if os.geteuid() == 0 else ["-r", "-m"]
    command = [needed("unshare"), *own, "sh", "-c", inner, "sh", str(tmp_path)]
    report = run([*command, *PROGRAM, str(tmp_path), str(tmp_path / "ballast"), "1500"])
    assert "full" in report["reason"]
    check(report)
    assert report["dropped"] > 500
    assert report["events"] == ["journal gap"]


def test_an_fsync_that_fails(tmp_path: Path) -> None:
    """Calls 20 to 45 of fdatasync answer EIO, injected by strace; no room has to be made."""
    Journal.open(tmp_path / "journal.sqlite3", now=0.0).close()
    strace = [needed("strace"), "-f", "-qq", "-o", str(tmp_path / "trace"), "-e", "trace=fdatasync"]
    inject = ["-e", "inject=fdatasync:error=EIO:when=20..45"]
    report = run([*strace, *inject, *PROGRAM, str(tmp_path), str(tmp_path / "no-ballast"), "500"])
    assert "disk I/O error" in report["reason"]
    assert report["failed_commits"] >= 5
    check(report)
    assert (tmp_path / "trace").read_text().count("INJECTED") == 26
