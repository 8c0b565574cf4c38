"""A program that journals, archives, prunes and asks at once until it is killed, and logs its promises.

Every scan carries its number as a measured value, so that a checker knows it again wherever it ended up. A
minute of plant time goes by from scan to scan, and periods are four hours: archive files come quickly. The
archiver is the shipped one, in a process of its own, which a checker may stop or kill too.

Log lines: ``invoke A B`` before the scans A to B (not included) are handed over, ``ok A B`` once they are
stored, ``asked WRONG`` when an answer lacked a scan that was promised before or held one twice.

    python -m tests.support.archive_victim JOURNAL LOG FIRST_NUMBER
"""

from __future__ import annotations

import asyncio
import os
import sys
import threading
import time
from collections import deque
from pathlib import Path

from config.site import ArchiveSettings
from daemon.journal.archive_process import archive_apart
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.errors import JournalError
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import OperatingState, Outcome, Reading, Status

START = 1_700_006_400.0
MINUTE, HOUR = 60.0, 3600.0
NUMBER = Column("signal", "number")
BATCH = 7
LEAD = 800
"""Scans that may be stored while the archiver is at work."""
FORGIVEN = ("ended with code -9", "another process archives into it")
"""What the archiver may fail with: it was killed alone, or one of an earlier life has not ended yet."""
LOOK_BACK = 3000 * MINUTE


def unit_of(number: int) -> str:
    return ("north", "south")[number % 2]


def scan(number: int) -> Outcome:
    at = START + number * MINUTE
    reading = Reading(float(number), Status.GOOD, at, at)
    return Outcome(unit_of(number), number, at, at, OperatingState.DRYING, {"number": reading}, {})


class TakingTurns:
    """A lock that goes to whoever waits for it: a loop takes a plain one again at once, for minutes."""

    def __init__(self) -> None:
        self._waiting: deque[threading.Lock] = deque()
        self._held = False
        self._door = threading.Lock()

    def __enter__(self) -> None:
        with self._door:
            if not self._held:
                self._held = True
                return
            turn = threading.Lock()
            turn.acquire()
            self._waiting.append(turn)
        turn.acquire()  # released by the one before, who leaves the lock held for us

    def __exit__(self, *_: object) -> None:
        with self._door:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._held = False


class Victim:
    def __init__(self, journal: Path, log: Path, first: int) -> None:
        self.log = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        self.journal = Journal.open(journal, now=START)
        self.next = self.first = first
        self.archived = first
        self.room = threading.Condition()
        self.asking = TakingTurns()  # a daemon leaves minutes between archiving and deleting

    def say(self, *words: object) -> None:
        os.write(self.log, (" ".join(map(str, words)) + "\n").encode())

    @property
    def now(self) -> float:
        return START + self.next * MINUTE

    def ingest(self) -> None:
        while True:
            first, end = self.next, self.next + BATCH
            self.say("invoke", first, end)
            self.journal.commit([scan(number) for number in range(first, end)])
            self.say("ok", first, end)
            self.next = end
            time.sleep(0.001)  # as between two commits of a daemon: the archiver gets its turn
            with self.room:  # and does not fall behind for ever
                self.room.wait_for(lambda: self.next - self.archived < LEAD)

    def archive(self) -> None:
        facts = {(unit, NUMBER): ColumnFacts(Grain(1.0)) for unit in ("north", "south")}
        settings, catalogue = ArchiveSettings(period=4 * HOUR), Catalogue("victim", facts)
        path, identity = self.journal.path, self.journal.identity
        while True:
            until = self.next
            with self.asking:
                self.journal.prune(self.now - 6 * HOUR, now=self.now, spare_unarchived=True)
            try:
                asyncio.run(archive_apart(path, identity, settings, catalogue, path.parent, self.now))
            except JournalError as error:
                if not any(reason in str(error) for reason in FORGIVEN):
                    raise
                continue
            with self.room:
                self.archived = until
                self.room.notify()

    def ask(self) -> None:
        while True:
            time.sleep(0.05)  # the archiver is polite: beside a loop that asked all the time it would starve
            with self.asking, History(self.journal.path) as history:
                promised = range(max(self.first, self.next - int(LOOK_BACK / MINUTE)), self.next)
                for unit in {unit_of(number) for number in promised}:
                    rows = history.values(unit, [NUMBER], START + promised.start * MINUTE, self.now + HOUR)
                    found = [round(row.samples[0].value) for row in rows]
                    expected = {number for number in promised if unit_of(number) == unit}
                    if len(found) != len(set(found)) or not expected <= set(found) or history.unreadable:
                        self.say("asked", f"{unit}:{sorted(expected - set(found))[:5]}{history.unreadable}")


def end_with_the_test() -> None:
    sys.stdin.buffer.read()
    os._exit(4)


def main(journal: Path, log: Path, first: int) -> None:
    victim = Victim(journal, log, first)
    works = (victim.archive, victim.ask, end_with_the_test)
    work = [threading.Thread(target=work, daemon=True) for work in works]
    for thread in work:
        thread.start()
    victim.ingest()


if __name__ == "__main__":
    # A thread that fails must not go unseen.
    threading.excepthook = lambda failed: (
        os.write(2, repr(failed.exc_value).encode()), os._exit(3)
    )  # fmt: skip
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
