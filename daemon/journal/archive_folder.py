"""The folder of archive files: whose it is, how files are called, and how they come to be there whole."""

from __future__ import annotations

import datetime
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import IO

from daemon.journal.archive_reading import FileFacts
from daemon.journal.errors import JournalError
from daemon.journal.manifest import WIDTHS, ArchivedPart

try:
    import fcntl
except ImportError:  # a platform without it has the journal's own lock only
    fcntl = None  # type: ignore[assignment]  # what is missing is not a module

_OWNER = "belongs-to-journal"


class ArchiveFolder:
    """One journal's archive on the disk.

    Parameters
    ----------
    path : Path
        The folder.
    pause : callable
        Called when a file is written and has no name yet.
    """

    def __init__(self, path: Path, pause: Callable[[], None]) -> None:
        self.path = path
        self._pause = pause

    def claim(self, identity: str) -> IO[str]:
        """Make the folder, or see that it is this journal's own: its stray files will be removed.

        Returns
        -------
        file
            While it is open, nobody else may claim the folder; a process that ends lets go of it.

        Raises
        ------
        JournalError
            It belongs to another journal, or another process is at work in it.
        OSError
            It cannot be made or written.
        """
        self.path.mkdir(parents=True, exist_ok=True)
        sign = self.path / _OWNER
        owner = sign.read_text().strip() if sign.exists() else ""
        if owner and owner != identity:
            raise JournalError(
                f"{self.path}: holds the archive of another journal; give each its own folder in "
                "[journal.archive] folder"
            )
        if not owner:
            self.write(sign, lambda path: path.write_text(identity + "\n"))
        lock = sign.open()
        try:
            if fcntl is not None:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            lock.close()
            raise JournalError(
                f"{self.path}: another process archives into it; it will be tried again"
            ) from error
        return lock

    def file(self, facts: FileFacts, start: float) -> Path:
        """Return the path of a file: what it holds, of when, and which part of the journal."""
        stamp = datetime.datetime.fromtimestamp(start, datetime.UTC).strftime("%Y-%m-%dT%H%M")
        return self.path / facts.unit / f"{WIDTHS[facts.width]}-{stamp}-{facts.first}-{facts.last}.parquet"

    def part(
        self, facts: FileFacts, path: Path, span: tuple[float, float], rows: int, damaged: int
    ) -> ArchivedPart:
        """Describe a file that is there for the journal."""
        name = str(path.relative_to(self.path))
        size = path.stat().st_size
        return ArchivedPart(
            facts.unit, facts.width, facts.first, facts.last, *span, rows, size, damaged, name
        )

    def write(self, path: Path, write: Callable[[Path], int]) -> int:
        """Write a file so that its name never stands for less than the whole of it.

        Returns
        -------
        int
            What ``write`` returns.
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
        try:
            result = write(part)
            _sync(part)
            self._pause()
            part.rename(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        _sync(path.parent)
        _sync(path.parent.parent)
        return result


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
