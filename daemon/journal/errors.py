"""What can go wrong with the journal, in words for the person at the box."""

from __future__ import annotations


class JournalError(Exception):
    """The journal cannot do what was asked; the message says why and what to do."""


class JournalUnusable(JournalError):  # noqa: N818 - says what it is
    """The file is no journal, belongs to a newer version, is in use, or cannot be read or written."""


class StoreFailed(JournalError):  # noqa: N818 - says what happened
    """A commit failed (disk full, input/output error); nothing of it was stored and it may be tried again."""


class TooManyRows(JournalError):  # noqa: N818 - says what it is
    """A query spans more rows than the caller allows."""
