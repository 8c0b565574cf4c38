"""Taking a changed site file into force without a restart: what changed, what needs a restart, who asks.

Pure, but for the queue of requests. The switch itself is the composition root's.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field

from config.site import Site

SHOWN_CHANGES = 20
"""Changed keys that are named; the rest is counted."""


class ReloadRefused(Exception):  # noqa: N818 - says what happened
    """The site file was not taken into force; the message says why. What was in force still is."""


@dataclass(frozen=True, slots=True)
class ReloadReport:
    """What a reload did; ``changed`` is empty where the file says what is in force already."""

    previous: str
    """Hash of the configuration before."""
    configuration: str
    """Hash of the one in force now."""
    changed: tuple[str, ...]
    """Keys that differ."""


@dataclass(frozen=True, slots=True)
class ReloadRequest:
    """Somebody asks for a reload; ``answer`` gets the report or the refusal."""

    actor: str
    reason: str
    answer: asyncio.Future[ReloadReport] = field(compare=False)


class Reloads:
    """Requests for a reload; carried out one at a time by whoever takes ``next``.

    While one is under way, further ones wait, a handful at most.
    """

    def __init__(self) -> None:
        self._waiting: asyncio.Queue[ReloadRequest] = asyncio.Queue(maxsize=4)

    async def ask(self, actor: str, reason: str) -> ReloadReport:
        """Ask for a reload and return what it did.

        Raises
        ------
        ReloadRefused
            Nothing has changed; the message says why.
        """
        return await self._put(actor, reason).answer

    def ask_nowait(self, actor: str, reason: str) -> None:
        """Ask for a reload by a signal; its outcome stands in the log and in the journal."""
        try:
            request = self._put(actor, reason)
        except ReloadRefused:
            return  # those that wait already will read the same file
        request.answer.add_done_callback(_heard)

    def _put(self, actor: str, reason: str) -> ReloadRequest:
        request = ReloadRequest(actor, reason, asyncio.get_running_loop().create_future())
        try:
            self._waiting.put_nowait(request)
        except asyncio.QueueFull:
            raise ReloadRefused("several reloads are waiting already") from None
        return request

    async def next(self) -> ReloadRequest:
        """Wait for the next request."""
        return await self._waiting.get()


def _heard(answer: asyncio.Future[ReloadReport]) -> None:
    """Take note of a refusal that nobody waits for; whoever refused has told it."""
    if not answer.cancelled():
        answer.exception()


def differences(old: Site, new: Site) -> tuple[str, ...]:
    """Return the keys in which two configurations differ, without their values: those may be private.

    A list's items are named by their ``name``, so that a controller added in front does not make all others
    look changed.
    """
    found = list(_differences("", old.model_dump(mode="json"), new.model_dump(mode="json")))
    if len(found) > SHOWN_CHANGES:
        found = [*found[:SHOWN_CHANGES], f"and {len(found) - SHOWN_CHANGES} more"]
    return tuple(found)


def needs_restart(old: Site, new: Site) -> tuple[str, ...]:
    """Return those changed keys that hold from the start of the process to its end."""
    pairs = {
        "site.name": (old.site.name, new.site.name),
        "journal.path": (old.journal.path, new.journal.path),
        "api.socket": (old.api.socket, new.api.socket),
        "web": (old.web, new.web),
    }
    return tuple(key for key, (before, after) in pairs.items() if before != after)


def _differences(path: str, old: object, new: object) -> Iterator[str]:
    if isinstance(old, list) and isinstance(new, list) and _of_tables(old) and _of_tables(new):
        old, new = _by_name(old), _by_name(new)
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys((*old, *new)):
            inner = f"{path}.{key}" if path else str(key)
            if key not in new:
                yield f"{inner} (removed)"
            elif key not in old:
                yield f"{inner} (added)"
            else:
                yield from _differences(inner, old[key], new[key])
    elif old != new:
        yield path


def _of_tables(items: list[object]) -> bool:
    return all(isinstance(item, dict) for item in items)


def _by_name(items: list[object]) -> dict[object, object]:
    names = [item.get("name", "") if isinstance(item, dict) else "" for item in items]
    if all(names) and len(set(names)) == len(names):
        return dict(zip(names, items, strict=True))
    return dict(enumerate(items))
