"""Many boxes into one broker and one time-series database: real daemons, a process each, as sites run them.

TEGWATCH_FLEET is their number; fifty need about four gigabytes. Each box watches a unit of its own once a
second and sends alarms, events and every scan to one Mosquitto and one database (Debian's victoria-metrics).
The clock of one box is an hour ahead. An independent reader makes the central alarm list from the broker's
messages alone. All controllers fall silent at once: the fleet's worst alarm flood. Printed are figures and
how much of a core each part takes: the part that would be full first is the next bottleneck.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from daemon.journal.reading import EntrySource
from daemon.journal.schema import connect_reader
from daemon.model import EntryKind
from tests.support.brokers import free_port, real_broker
from tests.support.canned_modbus import canned_server
from tests.support.central_list import CentralList
from tests.support.fleet import fleet_text
from tests.support.soak import Sample, sample
from tests.support.victoria_metrics import VictoriaMetrics, victoria_metrics

pytestmark = [pytest.mark.bench, pytest.mark.nightly, pytest.mark.timeout(1800)]

COUNT = int(os.environ.get("TEGWATCH_FLEET", "50"))
SECONDS = 60.0
"""How long the fleet is measured [s]."""
AHEAD = 3600.0
WRONG = "box-001"
"""The box whose clock is ahead."""
SINKS = """
[[sinks]]
kind = "mqtt"
name = "control-room"
host = "127.0.0.1"
port = {broker}
values = true
[[sinks]]
kind = "influx"
name = "history"
url = "http://127.0.0.1:{database}"
org = "o"
bucket = "b"
"""


@dataclass
class Box:
    """One daemon."""

    name: str
    folder: Path
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        site = str(self.folder / "site.toml")
        words = (
            ["tests.support.shifted_daemon", site, str(AHEAD)]
            if self.name == WRONG
            else ["daemon", "run", site]
        )
        with (self.folder / "log").open("ab") as log:
            self.process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", *words, stderr=log, stdin=asyncio.subprocess.DEVNULL
            )

    async def ask(self, route: str) -> Any:
        transport = httpx.AsyncHTTPTransport(uds=str(self.folder / "tegwatch.sock"))
        async with httpx.AsyncClient(transport=transport, base_url="http://box", timeout=30.0) as client:
            return (await client.get(route)).raise_for_status().json()

    async def watching(self) -> None:
        """Return once it has scanned its unit."""
        while True:
            assert self.process
            assert self.process.returncode is None, (self.folder / "log").read_text()[-1000:]
            with contextlib.suppress(httpx.HTTPError):
                if (await self.ask("/v1/units/unit-0")).get("sequence", 0) > 1:
                    return
            await asyncio.sleep(0.2)  # another process gives no event

    async def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None and self.process.returncode is None:
            self.process.send_signal(how)
            await asyncio.wait_for(self.process.wait(), 60)

    def look(self) -> Sample:
        assert self.process
        return sample(self.process.pid)


async def start_all(boxes: list[Box], at_a_time: int = 4) -> None:
    gate = asyncio.Semaphore(at_a_time)

    async def begin(box: Box) -> None:
        async with gate:
            await box.start()
            await box.watching()

    async with asyncio.TaskGroup() as group:
        for box in boxes:
            group.create_task(begin(box))


async def until(condition: Any, central: CentralList, patience: float = 120.0) -> None:
    async with asyncio.timeout(patience):
        while not condition():
            central.changed.clear()
            await central.changed.wait()


def scans_of(box: Box) -> list[tuple[float, int]]:
    """Time and sequence of every scan in a box's journal."""
    connection = connect_reader(box.folder / "tegwatch-journal.sqlite3")
    source, after, found = EntrySource(connection), 0, []
    while entries := source.entries(after, 1000, {EntryKind.SCAN}):
        after = entries[-1].sequence
        found += [(entry.time, entry.sequence) for entry in entries]
    connection.close()
    return found


def share(before: Sample, after: Sample) -> float:
    return (after.processor - before.processor) / (after.time - before.time)


async def stored_by(boxes: list[Box], server: VictoriaMetrics) -> int:
    """Compare the database with every journal, scan by scan; return how many there are."""
    total = 0
    found = await asyncio.to_thread(server.series, "tegwatch_state_sequence")
    have = {labels["site"]: (times, values) for labels, times, values in found}
    assert set(have) == {box.name for box in boxes}  # one series a site: no two boxes are mixed up
    for box in boxes:
        kept = await asyncio.to_thread(scans_of, box)
        times, values = have[box.name]
        assert Counter(map(int, values)) == Counter(number for _, number in kept), f"scans of {box.name}"
        told = sorted(1000.0 * at for at, _ in kept)
        assert sorted(times) == pytest.approx(told, rel=0.0, abs=1.0)  # the database keeps milliseconds
        total += len(kept)
    return total


async def test_a_fleet_into_one_broker_and_one_database(tmp_path: Path) -> None:
    database_port = free_port()
    async with contextlib.AsyncExitStack() as stack:
        server = stack.enter_context(victoria_metrics(tmp_path, port=database_port))
        broker = await stack.enter_async_context(real_broker(tmp_path))
        controllers = contextlib.ExitStack()
        port = controllers.enter_context(canned_server("drying"))
        stack.callback(controllers.close)
        group = await stack.enter_async_context(asyncio.TaskGroup())
        central = CentralList()
        following = group.create_task(central.follow(broker.port))
        stack.callback(following.cancel)
        await central.ready.wait()

        boxes = []
        for number in range(COUNT):
            box = Box(f"box-{number:03d}", tmp_path / f"box-{number:03d}")
            box.folder.mkdir()
            sinks = SINKS.format(broker=broker.port, database=database_port)
            (box.folder / "site.toml").write_text(fleet_text(1, port, box.name) + sinks)
            boxes.append(box)

        async def stop_all() -> None:
            await asyncio.gather(*(box.stop() for box in boxes))

        stack.push_async_callback(stop_all)
        began = time.monotonic()
        await start_all(boxes)
        started = time.monotonic() - began
        await until(lambda: len(central.offsets) == COUNT, central)

        # Ordinary running, measured.
        assert broker.process
        pids = {"broker": broker.process.pid, "database": server.pid}
        before = {name: sample(pid) for name, pid in pids.items()} | {box.name: box.look() for box in boxes}
        messages = central.messages
        await asyncio.sleep(SECONDS)
        rate = (central.messages - messages) / SECONDS
        after = {name: sample(pid) for name, pid in pids.items()} | {box.name: box.look() for box in boxes}
        cores = {name: share(before[name], after[name]) for name in after}
        assert central.clocks_off().keys() == {WRONG}
        assert central.clocks_off()[WRONG] == pytest.approx(AHEAD, abs=30.0)

        # Every controller falls silent at once.
        killed = time.monotonic()
        controllers.close()

        def lost() -> dict[str, float]:
            return {
                site: arrivals[0][0] - killed
                for (site, _, alarm), arrivals in central.arrivals.items()
                if alarm.startswith("controller_lost") and arrivals and arrivals[-1][1] == "UNACK"
            }

        try:
            await until(lambda: len(lost()) == COUNT, central, 300.0)
        except TimeoutError:
            silent = {box.name for box in boxes} - set(lost())
            tails = {name: (tmp_path / name / "log").read_text()[-500:] for name in sorted(silent)[:3]}
            raise AssertionError(f"no alarm from {sorted(silent)}: {tails}") from None
        delays = sorted(lost().values())

        # A box dies and comes back: its repeats are dropped, its alarms are as they were.
        victim = boxes[2]
        await victim.stop(signal.SIGKILL)
        await until(lambda: central.status.get(victim.name) == "offline", central)
        await victim.start()
        await victim.watching()
        await until(lambda: central.status.get(victim.name) == "online", central)

        # The central list is what the boxes say of themselves, for one who was there and one who comes late.
        late = CentralList()
        joining = group.create_task(late.follow(broker.port))
        stack.callback(joining.cancel)
        told: dict[tuple[str, str, str], str] = {}
        for _ in range(20):
            told = {}
            for box in boxes:
                for one in await box.ask("/v1/alarms"):
                    told[box.name, one["unit"], one["alarm"]] = one["state"]
            if told == central.standing() == late.standing():
                break
            await asyncio.sleep(1.0)  # an alarm was on its way
        assert central.standing() == told
        assert late.standing() == told
        assert central.disorder == 0
        health = [await box.ask("/v1/health") for box in boxes]
        await stop_all()
        scans = await stored_by(boxes, server)

    report(cores, after, [box.name for box in boxes])
    print(
        f"boxes started in {started:.0f} s; {rate:.0f} messages/s; {scans} scans, all in the database; "
        f"missed {sum(one['scans_missed'] for one in health)}, "
        f"99 % within {max(one['lateness_p99'] for one in health) * 1e3:.0f} ms on the worst box\n"
        f"all controllers silent: first alarm in the central list after {delays[0]:.1f} s, half after "
        f"{delays[len(delays) // 2]:.1f} s, all after {delays[-1]:.1f} s; {len(told)} alarms in the list, "
        f"{central.repeats} repeats dropped"
    )


def report(cores: dict[str, float], after: dict[str, Sample], boxes: list[str]) -> None:
    """Say what each part takes, and at how many boxes one core would be full of it."""
    memory, each = [after[name].memory for name in boxes], [cores[name] for name in boxes]
    print(
        f"\n{len(boxes)} boxes: each {np.mean(memory):.0f} MB and {np.mean(each):.2%} of a core, "
        f"all {sum(memory) / 1e3:.1f} GB and {sum(each):.2f} cores"
    )
    full = {name: len(boxes) / cores[name] for name in ("broker", "database")}
    for name, count in full.items():
        used = f"{after[name].memory:.0f} MB and {cores[name]:.1%} of a core"
        print(f"{name}: {used}; a core would be full at {count:.0f} boxes")
    print(f"the next bottleneck on a server is the {min(full, key=lambda name: full[name])}")
