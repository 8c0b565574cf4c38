"""Running for long on a small box: nothing grows, nothing is lost, whatever restarts around the daemon.

TEGWATCH_SOAK is the length in seconds; the default is a minute, a night's run is 1800 or more::

    TEGWATCH_SOAK=1800 pytest -m bench -s tests/bench/test_soak.py

The plants run ten times faster than real ones. Measured figures are printed; asserted are budgets that are
not about speed (memory, descriptors) and that nothing is lost.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
import time
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from daemon.journal.integrity import verify
from daemon.journal.reading import EntrySource
from daemon.journal.schema import connect_reader
from daemon.model import AlarmTransition, EntryKind
from tests.support import daemon_process
from tests.support.brokers import RealBroker, free_port, real_broker
from tests.support.daemon_process import DaemonProcess, running_daemon

pytestmark = [pytest.mark.bench, pytest.mark.nightly, pytest.mark.timeout(8 * 3600)]

LENGTH = float(os.environ.get("TEGWATCH_SOAK", "60"))
MEMORY_BUDGET = 150.0
"""Resident memory of the daemon with two units and all its parts [MB]."""
START_BUDGET = 3.0
"""From the start of the process to the first scan in the journal on a box that does nothing else [s]."""


@dataclass(frozen=True)
class Sample:
    time: float
    memory: float
    descriptors: int
    threads: int
    processor: float
    """Processor time used since the start [s]."""


def sample(pid: int) -> Sample:
    used = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[11:13]
    fields = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return Sample(
        time.monotonic(),
        int(fields["VmRSS"].split()[0]) / 1024,
        len(list(Path(f"/proc/{pid}/fd").iterdir())),
        int(fields["Threads"]),
        sum(map(int, used)) / os.sysconf("SC_CLK_TCK"),
    )


def site_text(modbus_port: int, mqtt_port: int) -> str:
    text = files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    return text.replace("port = 15020", f"port = {modbus_port}").replace(
        "port = 18830", f"port = {mqtt_port}"
    )


class Field:
    """The simulated controllers, in a process that is killed and started again."""

    def __init__(self, site: Path) -> None:
        self._site = site
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "daemon", "simulate", str(self._site),
            "--story", "demo", "--time-factor", "10",
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip

    async def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            await self._process.wait()
            self._process = None


async def disturb(field: Field, broker: RealBroker, chance: random.Random, end: float) -> dict[str, int]:
    """Restart what is around the daemon at random moments."""
    done = {"controllers": 0, "broker": 0}
    while time.monotonic() < end - 10:
        await asyncio.sleep(min(chance.uniform(5, 25), max(0.0, end - 10 - time.monotonic())))
        one = chance.choice(("controllers", "broker"))
        what = field if one == "controllers" else broker
        await what.stop()
        await asyncio.sleep(chance.uniform(0, 3))
        await what.start()
        done[one] += 1
    return done


async def watch(daemon: DaemonProcess, end: float) -> list[Sample]:
    samples = []
    while time.monotonic() < end:
        samples.append(await asyncio.to_thread(sample, daemon.process.pid))
        await asyncio.sleep(1.0)
    return samples


def slope(samples: list[Sample]) -> float:
    """Growth of memory after the first third, by least squares [MB/h]."""
    kept = samples[len(samples) // 3 :]
    times = np.array([one.time for one in kept])
    return float(np.polyfit(times - times[0], [one.memory for one in kept], 1)[0] * 3600)


def reconcile(journal: Path) -> tuple[dict[str, int], int]:
    """Count scans by unit, and check that every alarm's steps follow one another."""
    connection = connect_reader(journal)
    assert verify(connection) == []
    source, after = EntrySource(connection), 0
    scans: dict[str, int] = {}
    state: dict[tuple[str, str], str] = {}
    steps = 0
    while entries := source.entries(after, 500, {EntryKind.SCAN, EntryKind.ALARM}):
        after = entries[-1].sequence
        for entry in entries:
            body = entry.body
            if isinstance(body, AlarmTransition):
                key = (body.unit, body.alarm)
                assert str(body.previous) == state.get(key, "NORM"), f"a step of {key} is missing"
                state[key] = str(body.state)
                steps += 1
            else:
                scans[entry.unit] = scans.get(entry.unit, 0) + 1
    connection.close()
    assert source.damaged == 0
    return scans, steps


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A box that builds and tests at the same time starts slowly; that is not what is measured."""
    monkeypatch.setattr(daemon_process, "PATIENCE", 90.0)


async def test_nothing_grows_and_nothing_is_lost_while_everything_around_restarts(tmp_path: Path) -> None:
    chance = random.Random(7)
    async with real_broker(tmp_path) as broker:
        modbus = free_port()
        text = site_text(modbus, broker.port)
        site = tmp_path / "site.toml"
        site.write_text(text)
        field = Field(site)
        await field.start()
        try:
            async with running_daemon(tmp_path) as daemon:
                end = time.monotonic() + LENGTH
                watching = asyncio.create_task(watch(daemon, end))
                restarts = await disturb(field, broker, chance, end)
                samples = await watching
                health = await daemon.get("/v1/health")
                assert await daemon.stop() == 0
        finally:
            await field.stop()

    scans, steps = reconcile(tmp_path / "tegwatch-journal.sqlite3")
    growth = slope(samples)
    first, last = samples[len(samples) // 3], samples[-1]
    load = (last.processor - first.processor) / (last.time - first.time)
    settled = samples[len(samples) // 3 :]
    print(
        f"\n{LENGTH:.0f} s, restarts {restarts}: "
        f"memory {settled[-1].memory:.1f} MB, slope {growth:+.1f} MB/h, "
        f"descriptors {min(s.descriptors for s in settled)} to {max(s.descriptors for s in settled)}, "
        f"threads {min(s.threads for s in settled)} to {max(s.threads for s in settled)}; "
        f"scans {scans}, missed {health['scans_missed']}, alarm steps {steps}, "
        f"worst lateness {health['worst_lateness']:.2f} s, "
        f"processor {load:.1%}"
    )
    assert health["scans_failed"] == health["scans_refused"] == 0
    assert sum(scans.values()) >= health["scans_taken"]
    assert health["journal"]["dropped_samples"] == health["journal"]["dropped_records"] == 0
    assert not [reason for reason in health["reasons"] if "restarted" in reason]
    assert steps > 0
    assert max(one.memory for one in samples) < MEMORY_BUDGET
    assert max(one.descriptors for one in settled) - min(one.descriptors for one in settled) <= 10
    assert max(one.threads for one in settled) - min(one.threads for one in settled) <= 4
    if LENGTH >= 600:
        assert growth < 10.0, "memory grows"


async def test_an_edge_box_has_room_and_is_watched_soon(tmp_path: Path) -> None:
    """A box of 256 MB and half a core is enough: measured are memory and the time to the first scan."""
    began = time.time()
    async with running_daemon(tmp_path, site_text(free_port(), free_port())) as daemon:
        await daemon.until(lambda: daemon.unit("north"), lambda unit: unit["sequence"] > 5)
        settled = await asyncio.to_thread(sample, daemon.process.pid)
        await daemon.stop()
    connection = connect_reader(tmp_path / "tegwatch-journal.sqlite3")
    first = EntrySource(connection).entries(0, 1, {EntryKind.SCAN})[0].time - began
    connection.close()
    print(
        f"\nfirst scan {first:.2f} s after the start, in the file at most 1 s later "
        f"(budget {START_BUDGET:g} s on a box that does nothing else); "
        f"processor time until then {settled.processor:.2f} s; "
        f"memory {settled.memory:.1f} MB, threads {settled.threads}, descriptors {settled.descriptors}"
    )
    assert settled.memory < MEMORY_BUDGET
