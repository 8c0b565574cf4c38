"""kill -9 of daemon and archiver while scans are stored, archived, pruned and asked for: each answers once.

The checker reconciles the victim's log with what lies on the disk through plain sqlite3 and pyarrow, by the
rule that the schema states (files up to a unit's mark, journal rows above it), not through the code under
test. Every scan carries its number as a value.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.support.archive_victim import NUMBER

ROOT = Path(__file__).parents[2]
_DELETE_ONE = (
    "DELETE FROM entry WHERE sequence = "
    "(SELECT sequence FROM entry WHERE kind = 1 ORDER BY sequence DESC LIMIT 1 OFFSET 8)"
)
PATIENCE = 300.0
"""Seconds: the archiver leaves the processor to everybody else, and a busy box has little of it left."""
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


class Lives:
    """Lives and deaths of one victim and its archivers.

    A death is one of four: the victim alone (its archiver sees the end and ends too), both in one go, the
    archiver first, or the victim while its archiver is stopped. That one goes on in the middle of the next
    life, beside another archiver.
    """

    def __init__(self, journal: Path, log: Path, rng: random.Random) -> None:
        self.journal, self.log, self.rng = journal, log, rng
        self.deaths: Counter[str] = Counter()
        self._stopped: int | None = None

    def live_and_die(self) -> None:
        first = max(Log(self.log).invoked, default=-1) + 1
        before, more = _size(self.log), self.rng.randrange(1, 8_000)
        command = [sys.executable, "-m", "tests.support.archive_victim", self.journal, self.log, first]
        with subprocess.Popen(
            [str(part) for part in command], cwd=ROOT, stdin=subprocess.PIPE, stderr=subprocess.PIPE
        ) as victim:
            for done in (self.rng.random() * min(more, 1000), more):
                _wait(lambda done=done: _size(self.log) >= before + done or victim.poll() is not None)
                self.let_go_on()  # whose archive is held up would never get much further
            time.sleep(self.rng.random() * 0.5)  # into the work of the archiver, which waits for room to grow
            assert victim.poll() is None, victim.stderr.read().decode()
            self._die(victim)
            complaint = victim.stderr.read().decode()
        assert victim.returncode == -signal.SIGKILL, complaint

    def _die(self, victim: subprocess.Popen[bytes]) -> None:
        archiver = _archiver_of(victim.pid)
        how = self.rng.choice(("alone", "together", "archiver first", "archiver stopped"))
        if archiver is None:
            how = "no archiver at work"
        elif how == "archiver first":
            _send(archiver, signal.SIGKILL)
            time.sleep(self.rng.random() * 0.02)
        elif how == "together":
            _send(archiver, signal.SIGKILL)
        elif how == "archiver stopped":
            _send(archiver, signal.SIGSTOP)
            self._stopped = archiver
        self.deaths[how] += 1
        victim.send_signal(signal.SIGKILL)
        victim.wait()
        if archiver is not None and how != "archiver stopped":
            _wait(lambda: _ended(archiver))

    def let_go_on(self) -> None:
        """Let an archiver go on whose daemon has died; it ends by itself."""
        if self._stopped is not None:
            stopped, self._stopped = self._stopped, None
            _send(stopped, signal.SIGCONT)
            _wait(lambda: _ended(stopped))


def _archiver_of(pid: int) -> int | None:
    """Return the process that a victim has started; ``None`` while it has none."""
    children = " ".join(path.read_text() for path in Path(f"/proc/{pid}/task").glob("*/children"))
    return next(map(int, children.split()), None)


def _ended(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def _send(pid: int, what: signal.Signals) -> None:
    with contextlib.suppress(ProcessLookupError):  # it came to its end by itself
        os.kill(pid, what)


def _wait(until: Callable[[], bool]) -> None:
    started = time.monotonic()
    while not until():
        assert time.monotonic() - started < PATIENCE
        time.sleep(0.001)  # another process: there is nothing to wait on


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
    ("journals", "kills"),
    [
        pytest.param(1, 8, marks=[pytest.mark.slow, pytest.mark.timeout(300)]),
        # Fresh ones, or counting what lies there again and again would take longer than the killing.
        pytest.param(12, 25, marks=[pytest.mark.nightly, pytest.mark.timeout(5000)]),
    ],
)
def test_every_promised_scan_answers_once(tmp_path, journals, kills):
    rng = random.Random(20240229)
    promised = archived = 0
    deaths: Counter[str] = Counter()
    for number in range(journals):
        home = tmp_path / str(number)
        home.mkdir()
        lives = Lives(home / "journal.sqlite3", home / "log", rng)
        in_files = 0
        for life in range(kills):
            lives.live_and_die()
            if life % 5 == 4 or life == kills - 1:
                in_files = reconcile(copied(lives.journal, home / "copy"), Log(lives.log))
        lives.let_go_on()
        archived += in_files
        promised += len(Log(lives.log).promised)
        deaths += lives.deaths
        shutil.rmtree(home)
        print(f"  after {(number + 1) * kills} kills: {promised} scans promised, {archived} from files")
    assert archived > 0.5 * promised, "the kills came before anything was archived"
    assert len(deaths) >= 4, f"not every kind of death came about: {dict(deaths)}"
    print(
        f"{journals * kills} kills: {promised} scans promised, all answer once; {archived} from the archive"
    )
    print(f"  the victim died {', '.join(f'{how}: {count}' for how, count in deaths.items())}")


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_checker_notices_what_is_missing_and_what_is_double(tmp_path):
    lives = Lives(tmp_path / "journal.sqlite3", tmp_path / "log", random.Random(1))
    archived = 0
    while not archived:
        lives.live_and_die()
        log = Log(lives.log)
        archived = reconcile(copy := copied(lives.journal, tmp_path / "copy"), log)
    lives.let_go_on()
    for damage, complaint in (
        ("UPDATE archived SET sequence = sequence - 1", "=="),
        ("DELETE FROM archive WHERE width = 0", "one without the other"),
        (_DELETE_ONE, "answer no more"),
    ):
        connection = sqlite3.connect(copied(lives.journal, tmp_path / "copy"))
        connection.execute(damage)
        connection.commit()
        connection.close()
        with pytest.raises(AssertionError, match=complaint):
            reconcile(copy, log)
