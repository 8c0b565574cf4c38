"""The archiver in a process of its own: the same work, and an end with the daemon's."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from config.site import ArchiveSettings
from daemon.journal.archive_process import _pack, archive_apart
from daemon.journal.errors import JournalError
from daemon.journal.queries import History
from tests.support.archives import DAY, HOT, LEVEL, MARGIN, MIDNIGHT, archive, catalogue, filled

COLUMNS = [HOT, LEVEL, MARGIN]
NOW = MIDNIGHT + 2.5 * DAY


@pytest.fixture
def journal(tmp_path: Path):
    opened = filled(tmp_path / "journal.sqlite3", MIDNIGHT, NOW, 300.0)
    yield opened
    opened.close()


def rows(path: Path):
    with History(path) as history:
        return list(history.values("north", COLUMNS, MIDNIGHT, NOW))


async def apart(journal, identity: str = ""):
    settings, base = ArchiveSettings(), journal.path.parent
    return await archive_apart(journal.path, identity or journal.identity, settings, catalogue(), base, NOW)


async def test_it_does_what_the_archiver_does_while_the_daemon_writes_on(journal, tmp_path):
    other = filled(tmp_path / "other" / "journal.sqlite3", MIDNIGHT, NOW, 300.0)
    expected = archive(other, NOW)
    done = await apart(journal)
    assert (done.scans, done.files, done.trouble) == (expected.scans, expected.files, [])
    assert done.disk.scans == expected.disk.scans
    assert rows(journal.path) == rows(other.path)
    other.close()
    with journal.transaction() as connection:  # the daemon's own connection sees it and may write
        assert connection.execute("SELECT count(*) FROM archive").fetchone()[0] == done.files
    assert (await apart(journal)).files == 0


async def test_it_refuses_another_journal(journal):
    with pytest.raises(JournalError, match="is not the daemon's journal any more"):
        await apart(journal, identity="somebody else's")


async def test_two_at_a_time_do_not_get_into_each_others_way(journal):
    archive(journal, MIDNIGHT)  # makes the folder
    sign = (journal.path.parent / "tegwatch-archive" / "belongs-to-journal").open()
    import fcntl  # noqa: PLC0415

    fcntl.flock(sign, fcntl.LOCK_EX)
    with pytest.raises(JournalError, match="another process archives into it"):
        await apart(journal)
    sign.close()
    assert (await apart(journal)).files > 0


def test_it_ends_when_the_daemon_is_gone(journal):
    question = {
        "journal": str(journal.path), "identity": journal.identity, "now": NOW,
        "settings": ArchiveSettings().model_dump(), "catalogue": _pack(catalogue()),
        "base": str(journal.path.parent),
    }  # fmt: skip
    ended = subprocess.run(
        [sys.executable, "-m", "daemon.journal.archive_process"],
        input=json.dumps(question) + "\n", capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    assert (ended.returncode, ended.stdout) == (1, "")
    assert len(rows(journal.path)) == round(2.5 * DAY / 300.0)
