"""What DEVELOPERS.md says of the alarm states is what the code does."""

from __future__ import annotations

from pathlib import Path

from daemon.monitor.alarms.lifecycle import transition_table

ROOT = Path(__file__).parents[3]


def test_the_developers_table_is_the_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert transition_table() in text, "put the output of lifecycle.transition_table() into DEVELOPERS.md"
