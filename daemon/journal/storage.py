"""How the history stands on its disk: housekeeping keeps this; alarms, health and metrics read it."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.journal.manifest import DiskUse


@dataclass(slots=True)
class StorageFigures:
    """How archiving and deleting go; counts since the start."""

    failing: str = ""
    """Why periods cannot be archived or files not be read; empty when all is well."""
    archived_scans: int = 0
    deleted_unarchived: int = 0
    """Scans that had to be deleted before the archive had them."""
    disk: DiskUse | None = None
    """As of the last run; ``None`` before the first."""
