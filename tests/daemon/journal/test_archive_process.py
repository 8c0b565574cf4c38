"""The archiver in a process of its own: the same work, and an end with the daemon's."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
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


@contextlib.contextmanager
def begun(journal) -> Iterator[subprocess.Popen[str]]:
    """An archiver that has been asked; closing its standard input is the end of its daemon."""
    question = {
        "journal": str(journal.path), "identity": journal.identity, "now": NOW,
        "settings": ArchiveSettings().model_dump(), "catalogue": _pack(catalogue()),
        "base": str(journal.path.parent),
    }  # fmt: skip
    command = [sys.executable, "-m", "daemon.journal.archive_process"]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True) as archiver:
        archiver.stdin.write(json.dumps(question) + "\n")
        archiver.stdin.flush()
        yield archiver


def has_the_folder(archiver: subprocess.Popen[str]) -> bool:
    locks = (line.split() for line in Path("/proc/locks").read_text().splitlines())
    return any("FLOCK" in lock and str(archiver.pid) in lock for lock in locks)


async def working(archiver: subprocess.Popen[str]) -> None:
    """Return when it has the folder."""
    started = time.monotonic()
    while not has_the_folder(archiver):
        assert archiver.poll() is None, archiver.stderr.read()
        assert time.monotonic() - started < 50
        await asyncio.sleep(0.002)  # another process: there is nothing to wait on


async def test_a_signal_that_stops_the_daemon_is_not_a_failure_of_its_archiver(journal):
    with begun(journal) as archiver:
        with journal.transaction():
            await working(archiver)
            archiver.send_signal(signal.SIGTERM)
            archiver.send_signal(signal.SIGINT)
        assert json.loads(archiver.stdout.readline())["files"] == 4
        assert archiver.wait(30) == 0
        assert archiver.stderr.read() == ""


async def test_the_archiver_of_a_dead_daemon_ends_and_only_then_another_one_works(journal):
    with begun(journal) as orphan:
        with journal.transaction():  # it has the folder, and waits until it may write
            await working(orphan)
            with pytest.raises(JournalError, match="another process archives into it; it will be tried"):
                await apart(journal)
            orphan.stdin.close()
            assert orphan.wait(20) == 1
        assert (orphan.stdout.read(), orphan.stderr.read()) == ("", "")
    assert (await apart(journal)).files == 4
    assert len(rows(journal.path)) == round(2.5 * DAY / 300.0)


def test_it_ends_when_the_daemon_is_gone_before_it_began(journal):
    with begun(journal) as orphan:
        orphan.stdin.close()
        assert orphan.wait(30) == 1
        assert orphan.stdout.read() == ""
    assert len(rows(journal.path)) == round(2.5 * DAY / 300.0)
