"""The files that draw the pages, read once from the package and served from memory.

Their address holds a hash of them all, so a browser may keep them for ever and still never mixes two
versions; no file outside the package can be asked for, because there is no path to follow.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

_MEDIA = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_KEEP = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class Asset:
    """One file with the headers it is sent with."""

    body: bytes
    headers: dict[str, str]


class Assets:
    """All files in ``daemon/web/static``.

    Raises
    ------
    LookupError
        A file of a kind that no page uses.
    """

    def __init__(self) -> None:
        found = dict(_walk(files("daemon.web").joinpath("static"), ""))
        mark = hashlib.sha256()
        for name in sorted(found):
            mark.update(name.encode() + b"\0" + found[name] + b"\0")
        self.root = f"/static/{mark.hexdigest()[:12]}"
        """Where the files are, without a slash at its end."""
        self._files = {f"{self.root}/{name}": _asset(name, body) for name, body in found.items()}

    def get(self, path: str) -> Asset | None:
        """Return what is at a path; ``None`` where there is nothing, or something of another version."""
        return self._files.get(path)


def _asset(name: str, body: bytes) -> Asset:
    ending = name[name.rfind(".") :]
    if ending not in _MEDIA:
        raise LookupError(f"static/{name} is of a kind that no page uses")
    return Asset(body, {"content-type": _MEDIA[ending], "cache-control": _KEEP})


def _walk(folder: Traversable, prefix: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for entry in folder.iterdir():
        name = prefix + entry.name
        if entry.is_dir():
            found += _walk(entry, f"{name}/")
        else:
            found.append((name, entry.read_bytes()))
    return found
