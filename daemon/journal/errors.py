"""What can go wrong with the journal, in words for the person at the box."""

from __future__ import annotations

from pathlib import Path


class JournalError(Exception):
    """The journal cannot do what was asked; the message says why and what to do."""


class JournalUnusable(JournalError):  # noqa: N818 - says what it is
    """The file is no journal, belongs to a newer version, is in use, or cannot be read or written."""


class StoreFailed(JournalError):  # noqa: N818 - says what happened
    """A commit failed (disk full, input/output error); nothing of it was stored and it may be tried again."""


class NotStored(JournalError):  # noqa: N818 - says what it is
    """The question names a unit or a value that the journal never had; the message lists those there are."""


class TooManyRows(JournalError):  # noqa: N818 - says what it is
    """A query spans more rows than the caller allows."""


class Unstorable(JournalError):  # noqa: N818 - says what it is
    """One outcome holds something that the journal has no form for; it would never be stored.

    Attributes
    ----------
    sequence : int
        First number of the outcome.
    """

    def __init__(self, sequence: int, reason: str) -> None:
        super().__init__(reason)
        self.sequence = sequence


class ArchiveDamaged(JournalError):  # noqa: N818 - says what it is
    """An archive file cannot be read; the rest of the history answers without it.

    Attributes
    ----------
    path : Path
        The file.
    """

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(
            f"archive file {path}: {reason}; bring it back from a copy, or do without the time that it holds"
        )
        self.path = path
