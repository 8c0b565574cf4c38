"""A program that journals on a disk that goes bad and recovers, and reports what it lived through as JSON.

    python -m tests.support.journal_on_bad_disk FOLDER BALLAST COUNT

Puts outcomes (every tenth with an alarm) until the disk fails and COUNT more are through, then removes
BALLAST (a file that takes the room) and waits for the recovery. Where nothing frees room, the disk recovers
by itself.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

from daemon.journal.journal import Journal
from daemon.journal.tuning import WriterTuning
from daemon.journal.writer import JournalWriter
from daemon.model import AlarmTransition, Entry, EntryKind, Event
from tests.support.outcomes import outcome, transition

ALARMS = frozenset({EntryKind.ALARM})


async def run(folder: Path, ballast: Path, count: int) -> dict[str, object]:
    journal = Journal.open(folder / "journal.sqlite3", now=0.0)
    tuning = WriterTuning(sample_delay=0.0, retry_delay=0.01, max_samples=200, subscriber_queue=10**6)
    heard: list[int] = []
    unstored = 0
    async with JournalWriter.running(journal, tuning=tuning) as writer:
        listening = writer.subscribe()
        number, failed_at, reason = 0, 0, ""
        while not failed_at or number < failed_at + count:
            alarms = (transition(number),) if number % 10 == 0 else ()
            writer.put_nowait(outcome(number, alarms=alarms, columns=(30, 20)))
            number += 1
            await asyncio.sleep(0.001)
            if writer.figures.failing and not failed_at:
                failed_at, reason = number, writer.figures.failing
        sinks_saw = 0
        while entries := await writer.read(sinks_saw, 1000, ALARMS):
            sinks_saw = entries[-1].sequence
        last_alarm = entries_alarm(await writer.read(sinks_saw - 1, 1, ALARMS))
        ballast.unlink(missing_ok=True)  # noqa: ASYNC240 - one call, in a program of its own
        async with asyncio.timeout(30):
            while writer.figures.failing:  # noqa: ASYNC110 - another thread's work has no event
                await asyncio.sleep(0.01)
        figures = writer.figures
    async for item in listening:
        if item.outcome.alarms:
            heard.append(item.outcome.sequence)
            unstored += not item.stored
    journal = Journal.open(folder / "journal.sqlite3", now=0.0)
    entries, after = [], 0
    while batch := journal.entries(after, 1000):
        entries, after = entries + batch, batch[-1].sequence
    report = {
        "put": number,
        "reason": reason,
        "heard": heard,
        "told_before_stored": unstored,
        "last_alarm_for_sinks": last_alarm,
        "dropped": figures.dropped_samples,
        "failed_commits": figures.failed_commits,
        "stored_alarms": [entries_alarm([entry]) for entry in entries if entry.kind is EntryKind.ALARM],
        "stored_scans": sum(entry.kind is EntryKind.SCAN for entry in entries),
        "events": [entry.body.kind for entry in entries if isinstance(entry.body, Event)],
        "wrong": journal.verify(),
    }
    journal.close()
    return report


def entries_alarm(entries: list[Entry]) -> int:
    body = entries[0].body
    assert isinstance(body, AlarmTransition)
    return int(body.occurrence.rpartition("-")[2])


if __name__ == "__main__":
    print(json.dumps(asyncio.run(run(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])))))
