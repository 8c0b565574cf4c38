"""How quickly history goes to a time-series database, against bare line-protocol writes of the same points.

Budget of ours: a third of the rate of the bare client, which is given its text ready made. What is asserted
is that ratio; what is printed are the rates, and how late an event loop beside the sink becomes.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path
from typing import Any

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
