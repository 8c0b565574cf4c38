"""Passwords are asked for where nobody can read them, or not at all."""

from __future__ import annotations

import subprocess
import sys
from importlib.resources import files
from pathlib import Path


def test_without_a_terminal_no_password_is_asked_for(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(files("config").joinpath("examples/first-site.toml").read_text(encoding="utf-8"))
    command = [sys.executable, "-m", "daemon", "users", "add", str(site), "kim"]
    done = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, text=True, start_new_session=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith("use --password-stdin")
    assert "Warning" not in done.stderr
    assert "passwd" not in done.stderr
