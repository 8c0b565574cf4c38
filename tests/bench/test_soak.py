"""Running for long on a small box: nothing grows, nothing is lost, whatever restarts around the daemon.

TEGWATCH_SOAK is the length in seconds; the default is a minute, a night's run is 7200 or more::

    TEGWATCH_SOAK=7200 pytest -m nightly -s tests/bench/test_soak.py

The plants run ten times faster than real ones. Controllers, broker and time-series database are restarted at
random meanwhile. Measured figures are printed; asserted are budgets that are not about speed (memory,
descriptors, threads, tasks) and that nothing is lost: journal, database and a receiver's own record of the
broker's messages are reconciled. Memory is judged by ``tests.support.soak.growth``.
"""

from __future__ import annotations

import asyncio
import os
import random
import re
import time
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import pytest

from daemon.journal.integrity import verify
from daemon.journal.reading import EntrySource
from daemon.journal.schema import connect_reader
from daemon.model import AlarmTransition, EntryKind
from tests.support import daemon_process
from tests.support.brokers import free_port, real_broker
from tests.support.daemon_process import DaemonProcess, running_daemon
from tests.support.soak import (
    WARM_UP,
    Database,
    Field,
    Receiver,
    Restartable,
    Sample,
    disturb,
    growth,
    sample,
)

pytestmark = [pytest.mark.bench, pytest.mark.nightly, pytest.mark.timeout(8 * 3600)]

LENGTH = float(os.environ.get("TEGWATCH_SOAK", "60"))
MEMORY_BUDGET = 150.0
"""Resident memory of the daemon with two units and all its parts [MB]."""
CATCH_UP = 60.0
"""How long everything may take to arrive after the last restart [s]."""


def site_text(modbus_port: int, mqtt_port: int, database_port: int) -> str:
    text = files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    for old, new in ((15020, modbus_port), (18830, mqtt_port), (8321, free_port())):
        text = text.replace(f"port = {old}", f"port = {new}")
    return (
        text
        + f"""
[[sinks]]
kind = "influx"
name = "history"
url = "http://127.0.0.1:{database_port}"
org = "o"
bucket = "b"
"""
    )


async def watch(daemon: DaemonProcess, end: float) -> list[Sample]:
    samples = []
    while time.monotonic() < end:
        seen = await asyncio.to_thread(sample, daemon.process.pid)
        metrics = (await daemon.client.get("/metrics")).text
        found = re.search(r"^tegwatch_event_loop_tasks (\S+)$", metrics, re.MULTILINE)
        assert found, "the metrics do not tell the tasks"
        samples.append(replace(seen, tasks=int(float(found[1]))))
        await asyncio.sleep(2.0)
    return samples


@dataclass
class Stored:
    """What the journal holds at the end."""

    scans: dict[str, list[float]] = field(default_factory=dict)
    """Times of the scans by unit."""
    steps: set[tuple[object, ...]] = field(default_factory=set)
    """Alarm steps: unit, alarm, time, new state."""


def stored(journal: Path) -> Stored:
    """Read the journal, and check that every alarm's steps follow one another."""
    connection = connect_reader(journal)
    assert verify(connection) == []
    source, after, found = EntrySource(connection), 0, Stored()
    state: dict[tuple[str, str], str] = {}
    while entries := source.entries(after, 500, {EntryKind.SCAN, EntryKind.ALARM}):
        after = entries[-1].sequence
        for entry in entries:
            body = entry.body
            if isinstance(body, AlarmTransition):
                key = (body.unit, body.alarm)
                assert str(body.previous) == state.get(key, "NORM"), f"a step of {key} is missing"
                state[key] = str(body.state)
                found.steps.add((body.unit, body.alarm, entry.sequence))
            else:
                found.scans.setdefault(entry.unit, []).append(entry.time)
    connection.close()
    assert source.damaged == 0
    return found


def check_database(database: Database, found: Stored) -> int:
    """Compare the database with the journal: it has every scan, and no other."""
    assert database.server is not None
    points = 0
    for unit, times in found.scans.items():
        [(_, have, _)] = database.server.series(f'tegwatch_state_sequence{{unit="{unit}"}}')
        told = sorted(1000.0 * time for time in times)  # the database keeps milliseconds
        assert sorted(have) == pytest.approx(told, rel=0.0, abs=1.0), f"scans of {unit} differ"
        points += len(have)
    return points


def check_receiver(receiver: Receiver, found: Stored) -> None:
    """Compare a receiver's own record with the journal: every alarm step has arrived, in order."""
    assert receiver.steps() == found.steps


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A box that builds and tests at the same time starts slowly; that is not what is measured."""
    monkeypatch.setattr(daemon_process, "PATIENCE", 90.0)


async def test_nothing_grows_and_nothing_is_lost_while_everything_around_restarts(tmp_path: Path) -> None:
    database_port = free_port()
    database = Database(tmp_path, database_port)
    await database.start()
    async with real_broker(tmp_path) as broker, asyncio.TaskGroup() as group:
        site = tmp_path / "site.toml"
        modbus = free_port()
        site.write_text(site_text(modbus, broker.port, database_port))
        receiver = Receiver(broker.port, "tegwatch/cedar-flat/event")
        receiving = group.create_task(receiver.run())
        await receiver.subscribed.wait()
        plants = Field(site)
        await plants.start()
        try:
            async with running_daemon(tmp_path) as daemon:
                end = time.monotonic() + LENGTH
                watching = group.create_task(watch(daemon, end))
                around: dict[str, Restartable] = {
                    "controllers": plants,
                    "broker": broker,
                    "database": database,
                }
                restarts = await disturb(around, random.Random(7), end)
                samples = await watching
                behind = await daemon.until(
                    lambda: daemon.get("/v1/health"),
                    lambda health: all(sink["behind"] < 10 for sink in health["sinks"].values()),
                )
                health = await daemon.get("/v1/health")
                assert await daemon.stop() == 0  # in order: the sinks get a moment for the rest
            found = stored(tmp_path / "tegwatch-journal.sqlite3")
            async with asyncio.timeout(CATCH_UP):
                while len(receiver.steps()) < len(found.steps):
                    receiver.arrived.clear()
                    await receiver.arrived.wait()
            check_receiver(receiver, found)
            points = check_database(database, found)
        finally:
            receiving.cancel()
            await plants.stop()
            await database.stop()

    settled = [one for one in samples if one.time >= samples[0].time + min(WARM_UP, LENGTH / 3)]
    first, last, grown = settled[0], settled[-1], growth(samples)

    def span(name: str) -> tuple[int, int]:
        values = [getattr(one, name) for one in settled]
        return min(values), max(values)

    print(
        f"\n{LENGTH:.0f} s, restarts {restarts}: memory {last.memory:.1f} MB, {grown}; "
        f"descriptors {span('descriptors')}, threads {span('threads')}, tasks {span('tasks')}; "
        f"scans {sum(map(len, found.scans.values()))}, missed {health['scans_missed']}, "
        f"all {points} in the database, {len(found.steps)} alarm steps, all received; "
        f"worst lateness {health['worst_lateness']:.2f} s, "
        f"processor {(last.processor - first.processor) / (last.time - first.time):.1%}"
    )
    assert behind is not None
    assert health["scans_failed"] == health["scans_refused"] == 0
    assert sum(map(len, found.scans.values())) >= health["scans_taken"]
    assert health["journal"]["dropped_samples"] == health["journal"]["dropped_records"] == 0
    assert not [reason for reason in health["reasons"] if "restarted" in reason]
    assert found.steps
    assert max(one.memory for one in samples) < MEMORY_BUDGET
    # A connection that is being made anew has a descriptor, a task and perhaps a thread of its own.
    assert span("descriptors")[1] - span("descriptors")[0] <= 10
    assert span("threads")[1] - span("threads")[0] <= 4
    assert span("tasks")[1] - span("tasks")[0] <= 10
    assert not grown.leaks, f"memory grows: {grown}"
