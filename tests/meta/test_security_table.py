"""DEVELOPERS.md names a test for each line of the security checklist, and each named test exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LINES = 38


def test_every_line_is_answered_and_every_named_test_exists() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    if "### The checklist" not in text:
        pytest.fail("DEVELOPERS.md has lost its security checklist")
    table = text.split("### The checklist", 1)[1]
    table = re.split(r"\n##? ", table, maxsplit=1)[0]
    rows = {int(found[1]): found[2] for found in re.finditer(r"^\| (\d+) \| (.+) \|$", table, re.MULTILINE)}
    named = set(re.findall(r"`(test_\w+)`", table))
    sources = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
    there = set(re.findall(r"def (test_\w+)", sources))

    assert sorted(rows) == list(range(1, LINES + 1))
    assert all(answer.split("|")[-1].strip() for answer in rows.values())
    assert named <= there, f"no such tests: {sorted(named - there)}"
    assert len(named) > LINES
