"""Check values from outside the project: CSV files whose head, in ``#`` lines, names their source."""

from __future__ import annotations

import csv
from pathlib import Path

DATA = Path(__file__).parents[1] / "data" / "published"


def rows(name: str) -> list[dict[str, str]]:
    """Read a file of check values; a file without a source in its head is refused."""
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    head = [line for line in lines if line.startswith("#")]
    assert head, f"{name}.csv does not say where its values come from"
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
