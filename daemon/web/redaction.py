"""Secrets out of what is shown; pure. No configuration should hold one, and then none of it may leave."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

HIDDEN = "(hidden)"
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
