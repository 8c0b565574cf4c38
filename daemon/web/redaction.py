"""Secrets out of what is shown. No configuration should hold one, and then none of it may leave."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from config.site import Site

HIDDEN = "(hidden)"
LEAST_SECRET = 6
"""Shorter words of a secret's file are not searched for: they would hide half of the bundle."""
_SECRET_FILES = ("credentials_file", "secret_file", "token_file", "key_file", "password_file")
_IN_TEXT = re.compile(
    r"""(?ix)
    (?P<before> \b(?:password|passwd|passphrase|secret|token|api[_-]?key|authorization|cookie|word)
        ["']? \s* [:=] \s* (?:bearer\s+|basic\s+)? ["']? )
    [^\s"',;}]+
    | (?P<address> ://) [^/@\s"']+ @
    | (?P<scheme> \bbearer\s+ ) [A-Za-z0-9._~+/=-]{8,}
    """
)
_SECRET_KEY = re.compile(
    r"pass(word|phrase)|secret|token|api_?key|authorization|cookie|community", re.IGNORECASE
)
_IN_ADDRESS = re.compile(r"(?<=://)[^/@\s]+@")
_QUERY = re.compile(r"(?<=[?&])([^=&\s]*(?:key|token|secret|sig|pass)[^=&\s]*)=[^&\s]+", re.IGNORECASE)


def redacted(value: object) -> object:
    """Return a configuration without secrets.

    Hidden are the values of keys that name a secret (unless they name only the file of one), and user,
    password and keys inside addresses.

    Examples
    --------
    >>> redacted({"password": "x", "token_file": "t", "url": "https://kim:pw@hub.example/a?key=1&b=2"})
    {'password': '(hidden)', 'token_file': 't', 'url': 'https://(hidden)@hub.example/a?key=(hidden)&b=2'}
    """
    if isinstance(value, Mapping):
        return {str(key): HIDDEN if _hides(str(key), item) else redacted(item) for key, item in value.items()}
    if isinstance(value, str):
        return _QUERY.sub(rf"\1={HIDDEN}", _IN_ADDRESS.sub(f"{HIDDEN}@", value))
    if isinstance(value, Sequence):
        return [redacted(item) for item in value]
    return value


def _hides(key: str, item: object) -> bool:
    return bool(_SECRET_KEY.search(key)) and not key.endswith("_file") and item is not None


def known_secrets(site: Site, folder: Path) -> frozenset[str]:
    """Return the words of every secret's file that the site file names, as far as they can be read."""
    found: set[str] = set()
    for path in _secret_paths(site.model_dump(mode="json")):
        try:
            text = (folder / path).read_text(encoding="utf-8", errors="replace")
        except OSError:
            continue  # not there, or not ours to read: then it cannot come into the bundle either
        # A credentials file is user and password on two lines: the user's name is no secret.
        words = [word.strip() for word in text.splitlines()]
        found.update(words[1:] if len(words) > 1 and not text.startswith("-----") else words)
    return frozenset(word for word in found if len(word) >= LEAST_SECRET)


def _secret_paths(node: object) -> Iterator[str]:
    if isinstance(node, Mapping):
        for key, value in node.items():
            if key in _SECRET_FILES and isinstance(value, str):
                yield value
            else:
                yield from _secret_paths(value)
    elif isinstance(node, list):
        for value in node:
            yield from _secret_paths(value)


def clean(text: str, secrets: Iterable[str]) -> str:
    """Return a text without secrets: the known ones wherever they stand, others by how they are introduced.

    Examples
    --------
    >>> clean('login password=hunter2 of amqp://kim:pw@hub with s3cr3t-word', ["s3cr3t-word"])
    'login password=(hidden) of amqp://(hidden)@hub with (hidden)'
    """
    for secret in sorted(secrets, key=len, reverse=True):
        text = text.replace(secret, HIDDEN)
        escaped = json.dumps(secret)[1:-1]
        text = text.replace(escaped, HIDDEN)
    return _IN_TEXT.sub(_hide, text)


def _hide(found: re.Match[str]) -> str:
    if found["before"] is not None:
        return found["before"] + HIDDEN
    if found["address"] is not None:
        return f"{found['address']}{HIDDEN}@"
    return found["scheme"] + HIDDEN
