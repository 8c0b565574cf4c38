"""A program that journals as fast as it can until it is killed, and logs what it was promised.

Log lines: ``invoke N`` before outcome N is handed over, ``ok N`` once the journal has told that it is stored,
``acked N`` once an operator would have been told so. Each line is one ``write`` to a file opened for
appending: it is in the operating system's hands before the next step and outlives the process.

    python -m tests.support.journal_victim JOURNAL LOG FIRST_NUMBER CLOCK_OFFSET
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

from daemon.journal.journal import Journal
from daemon.journal.tuning import WriterTuning
from daemon.journal.writer import JournalWriter
from tests.support.outcomes import outcome, transition


async def run(journal_path: Path, log_path: Path, first: int, clock_offset: float) -> None:
    log = os.open(log_path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    def say(word: str, number: int) -> None:
        os.write(log, f"{word} {number}\n".encode())

    journal = Journal.open(journal_path, now=1_700_000_000.0 + clock_offset)
    async with JournalWriter.running(journal, tuning=WriterTuning(sample_delay=0.0)) as writer:
        listening = writer.subscribe()

        async def listen() -> None:
            async for item in listening:
                assert item.stored
                say("ok", item.outcome.sequence)

        async with asyncio.TaskGroup() as group:
            group.create_task(listen())
            number = first
            while True:
                with_alarm, with_checkpoint = number % 7 == 0, number % 7 == 0 or number % 10 == 0
                step = outcome(
                    number,
                    time=1_700_000_000.0 + number + clock_offset,
                    unit=f"unit_{number % 3}",
                    alarms=(transition(number, unit=f"unit_{number % 3}"),) if with_alarm else (),
                    checkpoint=str(number) if with_checkpoint else None,
                )
                say("invoke", number)
                if number % 21 == 0:
                    await writer.committed(step)
                    say("acked", number)
                else:
                    await writer.put(step)
                await writer.move_cursor("sink", max(0, journal.last_sequence - 50))
                if number % 5 == 0:
                    await asyncio.sleep(0)
                number += 1


if __name__ == "__main__":
    asyncio.run(run(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])))
