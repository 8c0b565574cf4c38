"""kill -9 at random moments: what was told as stored is there, once, in order; nothing is there unasked.

The checker reconciles the victim's log with the file through plain sqlite3, JSON and hashlib, not through the
code under test. A killed process leaves what it wrote to the operating system; a power cut, which does not,
is the business of synchronous=FULL (``daemon.journal.journal`` says which batches have it).
"""

from __future__ import annotations

import hashlib
import json
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

import pytest

from tests.support.narrow import present

ROOT = Path(__file__).parents[2]


class Log:
    """What the victim did and was promised, over all its lives."""

    def __init__(self, path: Path) -> None:
        self.invoked: list[int] = []
        self.promised: set[int] = set()
        lines = path.read_bytes().split(b"\n") if path.exists() else []
        for line in lines[:-1]:  # a line that the kill cut off has no end
            word, number = line.split()
            if word == b"invoke":
                self.invoked.append(int(number))
            else:
                self.promised.add(int(number))


def reconcile(journal: Path, log: Log) -> None:
    """Compare the file with the log; every difference that a promise forbids fails."""
    connection = sqlite3.connect(journal)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = connection.execute(
            "SELECT sequence, kind, name, boot, body, hash FROM entry JOIN unit ON unit.id = unit "
            "ORDER BY sequence"
        ).fetchall()
        checkpoints = dict(
            connection.execute("SELECT name, body FROM checkpoint JOIN unit ON unit.id = unit").fetchall()
        )
        meta = dict(connection.execute("SELECT key, value FROM meta").fetchall())
        cursor = connection.execute("SELECT sequence FROM cursor WHERE name = 'sink'").fetchone()
    finally:
        connection.close()
    scans = [struct.unpack_from("<I", body, 8)[0] for _, kind, _, _, body, _ in rows if kind == 1]
    alarms = [
        int(json.loads(body)["occurrence"].rpartition("-")[2]) for _, kind, _, _, body, _ in rows if kind == 2
    ]

    invoked = Counter(log.invoked)
    assert log.promised <= set(scans), f"lost: {sorted(log.promised - set(scans))[:20]}"
    assert set(scans) <= set(invoked), "values that nobody handed over"
    assert [number for number, count in Counter(scans).items() if count > invoked[number]] == []
    assert scans == sorted(scans), "order changed"
    assert alarms == [number for number in scans if number % 7 == 0], "an outcome was stored in part"

    for unit in range(3):
        saved = [n for n in scans if n % 3 == unit and (n % 7 == 0 or n % 10 == 0)]
        if saved:
            assert checkpoints[f"unit_{unit}"] == str(saved[-1]), (
                "a checkpoint without its outcome, or without"
            )

    chain = hashlib.sha256(meta["identity"].encode()).digest()
    for sequence, kind, unit, boot, body, stored in rows:
        if kind != 1:
            head = "\x1f".join((str(sequence), str(kind), unit, str(boot), ""))
            chain = hashlib.sha256(chain + head.encode() + body.encode()).digest()
            assert stored == chain, f"the chain breaks at {sequence}"
    assert meta["chain_head"] == chain.hex()
    if cursor is not None and rows:
        assert cursor[0] <= rows[-1][0]


def live_and_die(journal: Path, log_path: Path, first: int, life: int, rng: random.Random) -> None:
    """Start the victim, let it work as long as chance says, kill it wherever it is then.

    How long is counted in lines of its log, so that a busy machine does not kill it before it has begun.
    """
    at_least = _size(log_path) + rng.randrange(1, 4000)
    # Each life finds the clock set back by an hour against the one before.
    command = [sys.executable, "-m", "tests.support.journal_victim", journal, log_path, first, -3600.0 * life]
    with subprocess.Popen([str(part) for part in command], cwd=ROOT, stderr=subprocess.PIPE) as victim:
        started = time.monotonic()
        while _size(log_path) < at_least:
            assert victim.poll() is None, present(victim.stderr).read().decode()
            assert time.monotonic() - started < 30
            time.sleep(0.001)  # another process: there is nothing to wait on
        time.sleep(rng.random() * 0.01)
        victim.send_signal(signal.SIGKILL)
        complaint = present(victim.stderr).read().decode()
    assert victim.returncode == -signal.SIGKILL, complaint


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


@pytest.mark.parametrize(
    "kills",
    [pytest.param(8), pytest.param(500, marks=[pytest.mark.nightly, pytest.mark.timeout(1800)])],
)
def test_nothing_promised_is_lost(tmp_path: Path, kills: int) -> None:
    rng = random.Random(20240229)
    journal, log_path = tmp_path / "journal.sqlite3", tmp_path / "log"
    for life in range(kills):
        # A killed outcome's number is not used again, so that a repeat would show.
        first = max(Log(log_path).invoked, default=-1) + 1
        live_and_die(journal, log_path, first, life, rng)
        if life % 10 == 0 or life == kills - 1:
            # On a copy: looking at the file would recover the log that the next life must recover itself.
            copy = tmp_path / "copy"
            shutil.rmtree(copy, ignore_errors=True)
            copy.mkdir()
            for suffix in ("", "-wal"):
                shutil.copy(f"{journal}{suffix}", copy)
            reconcile(copy / journal.name, Log(log_path))
    log = Log(log_path)
    assert len(log.promised) > 20 * kills, "the kills came before anything was promised"
    print(f"{kills} kills: {len(log.invoked)} handed over, {len(log.promised)} promised, none lost")


def test_the_checker_notices_a_lost_promise(tmp_path: Path) -> None:
    journal, log_path = tmp_path / "journal.sqlite3", tmp_path / "log"
    log = Log(log_path)
    while not any(number % 7 for number in log.promised):
        live_and_die(journal, log_path, max(log.invoked, default=-1) + 1, 0, random.Random(1))
        log = Log(log_path)
    reconcile(journal, log)
    victim = max(number for number in log.promised if number % 7)
    connection = sqlite3.connect(journal)
    for sequence, body in connection.execute("SELECT sequence, body FROM entry WHERE kind = 1").fetchall():
        if struct.unpack_from("<I", body, 8)[0] == victim:
            connection.execute("DELETE FROM entry WHERE sequence = ?", (sequence,))
    connection.commit()
    connection.close()
    with pytest.raises(AssertionError, match=f"lost: .*{victim}"):
        reconcile(journal, log)
