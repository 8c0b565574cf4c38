"""One run over the archive: who keeps the list of its files, and what the run did."""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from daemon.journal.manifest import DiskUse


class FileKeeper(Protocol):
    """What the archiver asks of the journal's one writer."""

    path: Path
    identity: str

    def transaction(self) -> AbstractContextManager[sqlite3.Connection]:
        """Give a durable transaction."""
        ...


@dataclass(slots=True)
class Archived:
    """What one run of the archiver did."""

    scans: int = 0
    files: int = 0
    bytes: int = 0
    damaged: int = 0
    """Scans that could not be read and are not in the archive."""
    expired: int = 0
    """Files that were older than they are kept."""
    trouble: list[str] = field(default_factory=list)
    """Files that could not be read, in words."""
    disk: DiskUse = field(default_factory=DiskUse)
    """What lies on the disk at the end."""
