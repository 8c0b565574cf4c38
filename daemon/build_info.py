"""Which program this is: version, and the commit from which it was built."""

from __future__ import annotations

from importlib.metadata import version
from importlib.resources import files

UNKNOWN_COMMIT = "unknown"
"""What stands for the commit where the program was not built from a repository, or runs from its sources."""
COMMIT_FILE = "commit.txt"
"""Written beside this file by ``docker/build_hook.py`` when the package is built; not in the repository."""


def commit() -> str:
    """Return the commit, with ``+changes`` where files differed from it."""
    file = files("daemon").joinpath(COMMIT_FILE)
    return file.read_text(encoding="utf-8").strip() if file.is_file() else UNKNOWN_COMMIT


def described() -> str:
    """Return version and commit in one line."""
    return f"tegwatch {version('tegwatch')} (commit {commit()})"
