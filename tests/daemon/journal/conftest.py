"""An archive that several files of tests look at and none changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.archives import DAY, MIDNIGHT, archive, filled


@pytest.fixture(scope="session")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three and a half days of scans every 30 s, of which three days are archived, in a closed journal."""
    path: Path = tmp_path_factory.mktemp("days") / "journal.sqlite3"
    journal = filled(path, MIDNIGHT, MIDNIGHT + 3.5 * DAY, 30.0)
    archive(journal, MIDNIGHT + 3.5 * DAY)
    journal.close()
    return path
