"""kill -9 while scans are stored, archived, pruned and asked for: each promised scan answers once.

The checker reconciles the victim's log with what lies on the disk through plain sqlite3 and pyarrow, by the
rule that the schema states (files up to a unit's mark, journal rows above it), not through the code under
test. Every scan carries its number as a value.
"""

from __future__ import annotations

import itertools
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.support.archive_victim import NUMBER

ROOT = Path(__file__).parents[2]
_DELETE_ONE = (
    "DELETE FROM entry WHERE sequence = "
    "(SELECT sequence FROM entry WHERE kind = 1 ORDER BY sequence DESC LIMIT 1 OFFSET 8)"
)
VALUE_AT = 12  # a scan row's first value, behind its header: the layout has one column


class Log:
    """What the victim handed over and was promised, over all its lives."""

    def __init__(self, path: Path) -> None:
        self.invoked: set[int] = set()
        self.promised: set[int] = set()
        self.wrong: list[str] = []
        lines = path.read_bytes().split(b"\n") if path.exists() else []
        for line in lines[:-1]:  # a line that the kill cut off has no end
            word, *rest = line.split()
            if word == b"asked":
                self.wrong.append(line.decode())
                continue
            numbers = range(int(rest[0]), int(rest[1]))
            (self.invoked if word == b"invoke" else self.promised).update(numbers)


def answering(journal: Path) -> tuple[list[int], int]:
    """Numbers of the scans that answer, from the files themselves, and how many of them files hold."""
    connection = sqlite3.connect(journal)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        units = connection.execute("SELECT id, name FROM unit").fetchall()
        found: list[int] = []
        archived = 0
        for unit, name in units:
            files = connection.execute(
                "SELECT name, width, first, last, rows FROM archive WHERE unit = ? ORDER BY first", (unit,)
            ).fetchall()
            marks = dict(connection.execute("SELECT width, sequence FROM archived WHERE unit = ?", (unit,)))
            scans = [file for file in files if file[1] == 0]
            minutes = [file for file in files if file[1] == 60]
            assert [file[2:4] for file in scans] == [file[2:4] for file in minutes], "one without the other"
            assert all(one[3] < other[2] for one, other in itertools.pairwise(scans)), "they overlap"
            assert marks.get(0, 0) == marks.get(60, 0) == max((file[3] for file in scans), default=0)
            for file, _, first, last, rows in scans:
                table = pq.read_table(journal.parent / "tegwatch-archive" / file)
                assert table.num_rows == rows
                assert all(first <= at <= last for at in table["sequence"].to_pylist())
                found += table[str(NUMBER)].to_pylist()
                assert file.startswith(f"{name}/")
            for file, _, first, last, _ in minutes:
                table = pq.read_table(journal.parent / "tegwatch-archive" / file)
                summed = sum(table["scans"].to_pylist())
                assert summed == next(part[4] for part in scans if part[2:4] == (first, last))
            archived += sum(file[4] for file in scans)
            above = connection.execute(
                "SELECT body FROM entry WHERE kind = 1 AND unit = ? AND sequence > ?", (unit, marks.get(0, 0))
            ).fetchall()
            found += [round(struct.unpack_from("<d", body, VALUE_AT)[0]) for (body,) in above]
    finally:
        connection.close()
    return found, archived


def reconcile(journal: Path, log: Log) -> int:
    """Compare the disk with the log; return how many scans the archive answers for."""
    found, archived = answering(journal)
    twice = [number for number, count in Counter(found).items() if count > 1]
    assert twice == [], f"answer twice: {twice[:20]}"
    lost = sorted(log.promised - set(found))
    assert lost == [], f"answer no more: {lost[:20]}"
    assert set(found) <= log.invoked, "scans that nobody handed over"
    assert log.wrong == [], log.wrong[:3]
    return archived


def live_and_die(journal: Path, log_path: Path, rng: random.Random) -> None:
    first = max(Log(log_path).invoked, default=-1) + 1
    at_least = _size(log_path) + rng.randrange(1, 12_000)
    command = [sys.executable, "-m", "tests.support.archive_victim", journal, log_path, first]
    with subprocess.Popen([str(part) for part in command], cwd=ROOT, stderr=subprocess.PIPE) as victim:
        started = time.monotonic()
        while _size(log_path) < at_least:
            assert victim.poll() is None, victim.stderr.read().decode()
            assert time.monotonic() - started < 60
            time.sleep(0.001)  # another process: there is nothing to wait on
        time.sleep(rng.random() * 0.02)
        victim.send_signal(signal.SIGKILL)
        complaint = victim.stderr.read().decode()
    assert victim.returncode == -signal.SIGKILL, complaint


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def copied(journal: Path, to: Path) -> Path:
    """Copy journal and archive: looking at the journal would recover what the next life must recover."""
    shutil.rmtree(to, ignore_errors=True)
    to.mkdir()
    for suffix in ("", "-wal"):
        if Path(f"{journal}{suffix}").exists():
            shutil.copy(f"{journal}{suffix}", to)
    archive = journal.parent / "tegwatch-archive"
    if archive.exists():
        shutil.copytree(archive, to / archive.name)
    return to / journal.name


@pytest.mark.parametrize(
    "kills",
    [
        pytest.param(8, marks=[pytest.mark.slow, pytest.mark.timeout(300)]),
        pytest.param(300, marks=[pytest.mark.nightly, pytest.mark.timeout(3600)]),
    ],
)
def test_every_promised_scan_answers_once(tmp_path, kills):
    rng = random.Random(20240229)
    journal, log_path = tmp_path / "journal.sqlite3", tmp_path / "log"
    archived = 0
    for life in range(kills):
        live_and_die(journal, log_path, rng)
        if life % 5 == 0 or life == kills - 1:
            archived = reconcile(copied(journal, tmp_path / "copy"), Log(log_path))
    log = Log(log_path)
    assert archived > 0.5 * len(log.promised), "the kills came before anything was archived"
    print(f"{kills} kills: {len(log.promised)} scans promised, all answer once; {archived} from the archive")


def test_the_checker_notices_what_is_missing_and_what_is_double(tmp_path):
    journal, log_path, rng = tmp_path / "journal.sqlite3", tmp_path / "log", random.Random(1)
    archived = 0
    while not archived:
        live_and_die(journal, log_path, rng)
        log = Log(log_path)
        archived = reconcile(copy := copied(journal, tmp_path / "copy"), log)
    for damage, complaint in (
        ("UPDATE archived SET sequence = sequence - 1", "=="),
        ("DELETE FROM archive WHERE width = 0", "one without the other"),
        (_DELETE_ONE, "answer no more"),
    ):
        connection = sqlite3.connect(copied(journal, tmp_path / "copy"))
        connection.execute(damage)
        connection.commit()
        connection.close()
        with pytest.raises(AssertionError, match=complaint):
            reconcile(copy, log)
