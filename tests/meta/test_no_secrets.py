"""No tracked file holds a secret: a key, or a long random word given to something that sounds like one."""

from __future__ import annotations

import math
import re
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
TRACKED = subprocess.run(
    ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
).stdout.splitlines()
_KEY = re.compile(r"-----BEGIN [A-Z ]*PRIVATE KEY-----\s+(?:[A-Za-z0-9+/=]{40,}\s+){2}")
_GIVEN = re.compile(
    r"""(?i)(?:password|passwd|secret|token|api_?key|credential)\w*["']?\s*[:=]\s*["']([A-Za-z0-9+/=_.-]{20,})["']"""
)
LEAST_ENTROPY = 3.6
"""Bits a character of a 20-character word: random ones lie above, names and sentences below."""


def secrets_in(text: str) -> Iterator[str]:
    yield from (found[0][:40] for found in _KEY.finditer(text))
    for found in _GIVEN.finditer(text):
        counts = Counter(found[1])
        entropy = -sum(n / len(found[1]) * math.log2(n / len(found[1])) for n in counts.values())
        if entropy >= LEAST_ENTROPY and any(one.isdigit() for one in found[1]):
            yield found[0]


def test_no_tracked_file_holds_a_secret() -> None:
    texts = {path: (ROOT / path).read_text(errors="replace") for path in TRACKED if (ROOT / path).is_file()}
    assert {path: found for path, text in texts.items() if (found := list(secrets_in(text)))} == {}


def test_the_scan_sees_what_it_is_for() -> None:
    line = "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVphYmNkZWZnaGlqa2xtbm9w\n"  # letters in order, no key
    planted = "-----BEGIN " + "PRIVATE KEY-----\n" + 3 * line
    assert list(secrets_in(planted))
    assert list(secrets_in("api_key = " + '"x8Kq2LmZ0vTn4Rb7' + 'Yw1Cj5Hd"'))
    assert not list(secrets_in('password = "the name of a file in words"'))
    assert not list(secrets_in('token_file = "secrets/influx_token_database"'))
