"""Small files for the daemon's user alone; replaced whole, so a power cut leaves the old or the new."""

from __future__ import annotations

import os
from pathlib import Path


def read_private(path: Path) -> bytes:
    """Return what a file holds.

    Raises
    ------
    FileNotFoundError
        There is none.
    PermissionError
        It could be read by others; the message says what to do.
    OSError
        It cannot be read.
    """
    with path.open("rb") as stream:
        if os.fstat(stream.fileno()).st_mode & 0o077:
            raise PermissionError(f"others may read it; run: chmod 600 {path}")
        return stream.read()


def replace_private(path: Path, text: str) -> None:
    """Put a new file in place of the old one, durably.

    Raises
    ------
    OSError
        It cannot be written; the old one is untouched.
    """
    beside = path.with_suffix(".new")
    beside.unlink(missing_ok=True)
    handle = os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    beside.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
