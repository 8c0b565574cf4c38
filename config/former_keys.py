"""Keys that site files of earlier versions had: what stands in a key's place, for whoever upgrades.

A key never changes its meaning under its old name. One that is renamed or removed gets a line here in the
same commit, so that an old site file is answered with what to write and not only with "unknown key".
"""

from __future__ import annotations

from collections.abc import Mapping

FORMER_KEYS: Mapping[tuple[str, ...], str] = {}
"""Path of a former key, without the numbers of lists, and what to do, as one says it after "Fix:"."""


def what_became_of(path: tuple[str | int, ...]) -> str | None:
    """Return what to do about a key that a former version knew; ``None`` for one that never was."""
    return FORMER_KEYS.get(tuple(part for part in path if isinstance(part, str)))
