"""How quickly history goes to a time-series database, against bare line-protocol writes of the same points.

Budget of ours: a third of the rate of the bare client, which is given its text ready made. What is asserted
is that ratio; what is printed are the rates, and how late an event loop beside the sink becomes.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import statistics
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS

from config.sinks import InfluxSink as InfluxSettings
from daemon.clock import SystemClock
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.sinks.influx import InfluxSink
from daemon.sinks.line_protocol import Encoder
from daemon.sinks.runner import SinkRunner
from daemon.wiring import wording_of
from tests.support.demo_site import demo_site
from tests.support.outcomes import outcome
from tests.support.victoria_metrics import victoria_metrics

pytestmark = pytest.mark.bench
SCANS = 4000


async def test_forwarding_history(tmp_path: Path) -> None:
    wording = wording_of(demo_site())
    journal = Journal.open(tmp_path / "journal.sqlite3", now=0.0)
    journal.move_cursor("history", 0)
    journal.commit([outcome(number, columns=(17, 30)) for number in range(SCANS)])
    with victoria_metrics(tmp_path) as server:
        encoder = Encoder(wording, "bare")
        lines = [line for entry in journal.entries(0, SCANS) for line in encoder.lines(entry)]
        batches = ["\n".join(lines[begin : begin + 5000]) for begin in range(0, len(lines), 5000)]
        client: Any = InfluxDBClient(server.url, "", org="o", enable_gzip=True)
        api = client.write_api(write_options=SYNCHRONOUS)
        began = time.perf_counter()
        for batch in batches:
            api.write("b", "o", batch)
        bare = len(lines) / (time.perf_counter() - began)
        client.close()

        settings = InfluxSettings(kind="influx", name="history", url=server.url, org="o", bucket="b")
        worst = 0.0
        async with JournalWriter.running(journal) as writer:
            sink = InfluxSink(settings, wording, SystemClock(), tmp_path / "quarantine.lp")
            runner = SinkRunner(sink, writer, SystemClock())
            began = time.perf_counter()
            task = asyncio.create_task(runner.run())
            caught_up = asyncio.create_task(runner.caught_up(SCANS))
            while not caught_up.done():
                before = time.perf_counter()
                await asyncio.sleep(0.01)
                worst = max(worst, time.perf_counter() - before - 0.01)
            rate = len(lines) / (time.perf_counter() - began)
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
    print(
        f"\n{len(lines)} points of {SCANS} scans: bare client {bare / 1e3:.0f} k points/s, sink from the "
        f"journal {rate / 1e3:.0f} k points/s ({rate / bare:.2f} x); a day of 1 s scans of one unit in "
        f"{86400 * len(lines) / SCANS / rate:.0f} s; event loop at most {worst * 1e3:.0f} ms late meanwhile"
    )
    assert rate > bare / 3.0 / 2.0  # half the budget: the machine is shared


OUTAGE = 6000
"""Scans that waited while the database was away: 100 min of one unit at a scan a second."""
LIVE = 10
"""Units that go on being scanned each second meanwhile."""


async def test_catching_up_while_scans_go_on(tmp_path: Path) -> None:
    """After an outage: how fast the backlog goes out, and what the scans that go on meanwhile feel of it.

    The sink sends in the journal's order, so what is new reaches the database when it has caught up; alarms
    have sinks of their own and do not wait. Asserted: it catches up many times as fast as ten units produce,
    and scans beside it are not late by more than a fraction of their period.
    """
    wording = wording_of(demo_site())
    journal = Journal.open(tmp_path / "journal.sqlite3", now=0.0)
    journal.move_cursor("history", 0)
    journal.commit([outcome(number, columns=(17, 30)) for number in range(OUTAGE)])
    encoder = Encoder(wording, "tegwatch")
    lines = [line for entry in journal.entries(0, 500) for line in encoder.lines(entry)]
    text = "\n".join(lines).encode()
    late: list[float] = []
    with victoria_metrics(tmp_path) as server:
        settings = InfluxSettings(kind="influx", name="history", url=server.url, org="o", bucket="b")
        async with JournalWriter.running(journal) as writer:
            sink = InfluxSink(settings, wording, SystemClock(), tmp_path / "quarantine.lp")
            runner = SinkRunner(sink, writer, SystemClock())
            began = time.perf_counter()
            task = asyncio.create_task(runner.run())
            caught_up = asyncio.create_task(runner.caught_up(OUTAGE))
            number = OUTAGE
            while not caught_up.done():
                due = time.perf_counter() + 0.1
                await asyncio.sleep(0.1)
                late.append(time.perf_counter() - due)
                writer.put_nowait(outcome(number, unit=f"unit-{number % LIVE}", columns=(17, 30)))
                number += 1
            taken = time.perf_counter() - began
            behind = runner.health.behind
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        async with httpx.AsyncClient(base_url=server.url, trust_env=False) as client:
            (await client.get("/internal/force_flush")).raise_for_status()
        kept = sum(file.stat().st_size for file in (tmp_path / "vm").rglob("*") if file.is_file())
    speed, points = OUTAGE / taken, len(lines) / 500
    day = LIVE * 86400 / (speed - LIVE) / 60
    print(
        f"\n{points:.0f} points a scan; a point is {len(text) / len(lines):.0f} bytes of text, "
        f"{len(gzip.compress(text)) / len(lines):.1f} on the wire, about {kept / points / OUTAGE:.1f} on the "
        f"database's disk\n{OUTAGE} scans caught up in {taken:.1f} s, {speed:.0f} scans/s, while "
        f"{number - OUTAGE} live ones were stored ({behind} of them still to go); a day of outage of {LIVE} "
        f"units at a scan a second in {day:.0f} min; scans beside it late by "
        f"{statistics.median(late) * 1e3:.0f} ms, {max(late) * 1e3:.0f} ms at most"
    )
    assert speed > 5 * LIVE
    assert statistics.median(late) < 0.1
