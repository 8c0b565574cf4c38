"""How much room the journal takes and has."""

from __future__ import annotations

import contextlib
import shutil
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class DiskUse:
    """Bytes."""

    journal: int
    """The journal's file and its write-ahead log."""
    free: int
    total: int


def disk_use(journal: Path) -> DiskUse:
    """Ask the file system about the journal at a path; two quick calls, fit for the event loop."""
    size = 0
    for path in (journal, journal.with_name(f"{journal.name}-wal")):
        with contextlib.suppress(FileNotFoundError):  # no log between two checkpoints
            size += path.stat().st_size
    disk = shutil.disk_usage(journal.parent)
    return DiskUse(size, disk.free, disk.total)
