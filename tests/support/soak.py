"""What a long run needs: what is restarted around the daemon, what is measured, and how growth is judged."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import sys
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import aiomqtt
import numpy as np

from tests.support.victoria_metrics import VictoriaMetrics, victoria_metrics

WARM_UP = 2700.0
"""How long memory may grow before it is judged [s]: caches and the trends of the outlook fill.

The slowest to fill is the page cache of the journal's writer, 2 MB, which grows as the journal does: two
units write 2.6 MB/h.
"""
WINDOW = 120.0
"""Of so many seconds the smallest figure counts: garbage that waits for its collection is no growth."""
ALLOWED_AT_ONCE = 1.0
"""Growth that is not told from noise [MB]."""
ALLOWED_PER_HOUR = 1.0
"""Growth that a soak lets pass [MB/h]."""


@dataclass(frozen=True, slots=True)
class Sample:
    """The daemon at one moment."""

    time: float
    memory: float
    """Resident [MB]."""
    descriptors: int
    threads: int
    processor: float
    """Processor time used since the start [s]."""
    tasks: int = 0
    """Asynchronous tasks, as the daemon's metrics tell them."""


@dataclass(frozen=True, slots=True)
class Growth:
    """What became of memory after the warm-up."""

    hours: float
    """Time that was judged; 0 where the run was too short to judge."""
    per_hour: float
    """Slope [MB/h]."""
    allowed: float
    """The most that it may be [MB/h]."""

    @property
    def leaks(self) -> bool:
        """Whether memory grows."""
        return self.hours > 0.0 and self.per_hour > self.allowed

    def __str__(self) -> str:
        if self.hours == 0.0:
            return "too short to judge growth"
        return (
            f"{self.per_hour:+.2f} MB/h over {self.hours:.2f} h after the warm-up, allowed {self.allowed:.2f}"
        )


def growth(samples: Sequence[Sample], warm_up: float = WARM_UP, window: float = WINDOW) -> Growth:
    """Judge memory after the warm-up: the median slope between the floors of its windows (Theil-Sen).

    Theil, H. (1950), "A rank-invariant method of linear and polynomial regression analysis": up to 29 % of
    the floors may be anything without moving it far. A run with fewer than five windows is not judged.
    """
    begin = samples[0].time + warm_up
    floors: dict[int, Sample] = {}
    for one in samples:
        if one.time >= begin:
            number = int((one.time - begin) / window)
            if number not in floors or one.memory < floors[number].memory:
                floors[number] = one
    floor = list(floors.values())
    if len(floor) < 5:
        return Growth(0.0, 0.0, 0.0)
    slopes = [
        (later.memory - earlier.memory) / (later.time - earlier.time)
        for number, earlier in enumerate(floor)
        for later in floor[number + 1 :]
        if later.time - earlier.time >= window
    ]
    hours = (floor[-1].time - floor[0].time) / 3600.0
    return Growth(hours, float(np.median(slopes)) * 3600.0, ALLOWED_PER_HOUR + ALLOWED_AT_ONCE / hours)


def sample(pid: int) -> Sample:
    """Look at a process."""
    used = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[11:13]
    fields = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return Sample(
        time.monotonic(),
        int(fields["VmRSS"].split()[0]) / 1024,
        len(list(Path(f"/proc/{pid}/fd").iterdir())),
        int(fields["Threads"]),
        sum(map(int, used)) / os.sysconf("SC_CLK_TCK"),
    )


class Restartable(Protocol):
    """Something around the daemon that can be ended and started again."""

    async def start(self) -> None: ...

    @property
    def stop(self) -> Callable[[], Awaitable[None]]:
        """End it; a caller may name another way."""
        ...


class Field:
    """The simulated controllers, in a process that is killed and started again."""

    def __init__(self, site: Path, time_factor: float = 10.0) -> None:
        self._site = site
        self._factor = time_factor
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "daemon", "simulate", str(self._site),
            "--story", "demo", "--time-factor", f"{self._factor:g}",
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip

    async def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            await self._process.wait()
            self._process = None


class Database:
    """A time-series database that keeps what it has over a restart."""

    def __init__(self, folder: Path, port: int) -> None:
        self._folder, self._port = folder, port
        self._running = contextlib.ExitStack()
        self.server: VictoriaMetrics | None = None

    async def start(self) -> None:
        opened = victoria_metrics(self._folder, port=self._port)
        self.server = await asyncio.to_thread(self._running.enter_context, opened)

    async def stop(self) -> None:
        self.server = None
        await asyncio.to_thread(self._running.close)


@dataclass
class Receiver:
    """A control room's own program on the broker: keeps every event, through the broker's restarts."""

    port: int
    topic: str
    name: str = "control-room"
    messages: list[dict[str, object]] = field(default_factory=list)
    arrived: asyncio.Event = field(default_factory=asyncio.Event)
    subscribed: asyncio.Event = field(default_factory=asyncio.Event)

    def steps(self) -> set[tuple[object, ...]]:
        """Unit, alarm and sequence of every alarm step that has arrived; a repeat counts once."""
        alarms = (one for one in self.messages if "alarm" in one)
        return {(one["unit"], one["alarm"], one["sequence"]) for one in alarms}

    async def run(self) -> None:
        """Receive until cancelled; the broker keeps what comes while this is away."""
        while True:
            try:
                async with aiomqtt.Client(
                    "127.0.0.1", self.port, identifier=self.name, clean_session=False
                ) as client:
                    await client.subscribe(self.topic, qos=1)
                    self.subscribed.set()
                    async for message in client.messages:
                        assert isinstance(message.payload, bytes)
                        self.messages.append(json.loads(message.payload))
                        self.arrived.set()
            except aiomqtt.MqttError:
                await asyncio.sleep(0.5)  # the broker is being restarted


async def disturb(around: dict[str, Restartable], chance: random.Random, end: float) -> dict[str, int]:
    """Restart what is around the daemon at random moments; the last ten seconds are left in peace."""
    done = dict.fromkeys(around, 0)
    while time.monotonic() < end - 15:
        await asyncio.sleep(min(chance.uniform(5, 25), max(0.0, end - 15 - time.monotonic())))
        one = chance.choice(sorted(around))
        await around[one].stop()
        await asyncio.sleep(chance.uniform(0, 3))
        await around[one].start()
        done[one] += 1
    return done
