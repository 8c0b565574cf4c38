"""A journal in memory, as far as sinks need one, and entries to put into it."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Collection
from typing import Any

from daemon.model import (
    AlarmState,
    AlarmTransition,
    Entry,
    EntryKind,
    Event,
    LikelyCause,
    OperatingState,
    Priority,
    Reading,
    Result,
    ScanRecord,
    Status,
)

START = 1_700_000_000.0
CAUSES = (
    LikelyCause(
        "gas hotter than usual",
        0.6181,
        ("gas temperature up", "reboiler temperature down"),
        ("gas rate up, expected as usual",),
        ("measured outlet moisture",),
        "Look at the inlet cooler.",
    ),
    LikelyCause("pump worn", 0.1, ("stroke rate up",), (), (), "Compare delivery with strokes."),
)


class MemoryJournal:
    """Entries and cursors; keeps the moves of every cursor for a test to look at."""

    def __init__(self, *entries: Entry) -> None:
        self.entries = list(entries)
        self.cursors: dict[str, int] = {}
        self.moves: list[tuple[str, int]] = []
        self.reads = 0
        self._newer = asyncio.Condition()

    async def add(self, *entries: Entry) -> None:
        async with self._newer:
            self.entries.extend(entries)
            self._newer.notify_all()

    async def read(self, after: int, limit: int, kinds: Collection[EntryKind]) -> list[Entry]:
        self.reads += 1
        found = [entry for entry in self.entries if entry.sequence > after and entry.kind in kinds]
        return found[:limit]

    async def cursor(self, name: str) -> int:
        return self.cursors.get(name, 0)

    async def move_cursor(self, name: str, sequence: int) -> None:
        self.cursors[name] = sequence
        self.moves.append((name, sequence))

    async def wait_newer(self, sequence: int) -> int:
        def head() -> int:
            return self.entries[-1].sequence if self.entries else 0

        async with self._newer:
            await self._newer.wait_for(lambda: head() > sequence)
            return head()


def alarm(
    sequence: int,
    *,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    priority: Priority = Priority.HIGH,
    unit: str = "unit-1",
    name: str = "reboiler_high",
    message: str = "Reboiler temperature high",
    **more: Any,
) -> Entry:
    time = START + sequence
    transition = AlarmTransition(
        unit=unit,
        alarm=name,
        occurrence=f"{unit}/{name}/1",
        previous=AlarmState.NORMAL,
        state=state,
        event="condition true",
        time=time,
        priority=priority,
        message=message,
        reason="above 390 degF for 30 s",
        value=472.0388888888889,
        setpoint=471.4833333333333,
        quantity="temperature",
        alarm_class="equipment",
    )
    return Entry(sequence, unit, time, dataclasses.replace(transition, **more))


def event(sequence: int, kind: str = "operating state") -> Entry:
    return Entry(sequence, "unit-1", START + sequence, Event("unit-1", kind, START + sequence, "drying"))


def scan(sequence: int) -> Entry:
    time = START + sequence
    record = ScanRecord(
        "unit-1",
        time,
        OperatingState.DRYING,
        {
            "reboiler_temperature": Reading(472.0388888888889, Status.GOOD, time, 5.0),
            "gas_rate": Reading(None, Status.BAD_TIMEOUT, time, 5.0, "no answer within 1 s"),
        },
        {"dew_point_margin": Result(5.0, 1.5, Status.GOOD)},
    )
    return Entry(sequence, "unit-1", time, record)
