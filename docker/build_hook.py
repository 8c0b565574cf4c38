"""Puts the commit into what is built, so that a running program says from which sources it comes.

From a repository the commit is asked of git; elsewhere ``TEGWATCH_COMMIT`` says it (an image's build has no
repository); an archive of sources carries it on. Where nobody knows, the program says "unknown".
"""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PLACE = "daemon/commit.txt"
_COMMIT = re.compile(r"[0-9a-f]{7,64}(\+changes)?")


class CommitHook(BuildHookInterface[Any]):
    """Adds one file to a wheel or an archive of sources."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Add the file; an editable install stays as the sources are."""
        known = commit_of(Path(self.root), os.environ.get("TEGWATCH_COMMIT", ""))
        if version == "editable" or known is None or (Path(self.root) / PLACE).exists():
            return
        self._folder = tempfile.TemporaryDirectory()
        file = Path(self._folder.name) / "commit.txt"
        file.write_text(known + "\n", encoding="utf-8")
        build_data["force_include"][str(file)] = PLACE


def commit_of(root: Path, told: str) -> str | None:
    """Return the commit of a tree, or what one was told; ``None`` where neither is known."""
    if told:
        if not _COMMIT.fullmatch(told):
            raise ValueError(f"TEGWATCH_COMMIT={told!r} is no commit: give the hash in hexadecimal digits")
        return told
    if not (root / ".git").exists():
        return None  # sources below somebody else's repository are not of that one's commit
    try:
        commit = _git(root, "rev-parse", "HEAD")
        changed = _git(root, "status", "--porcelain", "--untracked-files=no")
    except (OSError, subprocess.CalledProcessError):
        return None  # no git here, or none that may read this tree
    return commit + ("+changes" if changed else "")


def _git(root: Path, *words: str) -> str:
    command = ["git", *words]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=True)  # noqa: S603 - fixed words
    return done.stdout.strip()
