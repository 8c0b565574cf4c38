"""The time-series sink against a real server of the v2 write API (Debian's victoria-metrics).

That server keeps milliseconds, makes strings zero, knows neither bucket nor token and answers 204 to what it
does not understand: what is checked here is that every number arrives, once, under its name. Errors are
checked against a server of the tests' own. Nothing was run against a real InfluxDB 2. There a point that
comes again replaces itself; this server is told to do so (``-dedup.minScrapeInterval``).
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from pathlib import Path

import pytest

from config.loader import unit_context
from config.sinks import InfluxSink as InfluxSettings
from daemon.clock import SystemClock
from daemon.database.history import DatabaseHistory
from daemon.database.rows import QueryFailed
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.model import Outcome
from daemon.sinks.influx import InfluxSink
from daemon.sinks.runner import SinkRunner
from daemon.wiring import wording_of
from tests.support.demo_site import demo_site
from tests.support.outcomes import outcome
from tests.support.victoria_metrics import VictoriaMetrics, victoria_metrics

pytestmark = pytest.mark.slow
SCANS = 2000


def recorded(first: int, count: int) -> list[Outcome]:
    return [outcome(number, bad=number % 10 == 0) for number in range(first, first + count)]


def sink_to(url: str, folder: Path) -> InfluxSink:
    settings = InfluxSettings(kind="influx", name="history", url=url, org="o", bucket="b", timeout=5.0)
    return InfluxSink(settings, wording_of(demo_site()), SystemClock(), folder / "quarantine.lp")


def check(server: VictoriaMetrics, scans: int) -> None:
    for kind, names in (("signal", ("signal_1", "signal_2")), ("result", ("result_0", "result_1"))):
        for name in names:
            selector = f'tegwatch_{kind}_value{{name="{name}"}}'
            [(labels, times, values)] = server.series(selector)
            assert (labels["site"], labels["unit"]) == ("cedar-flat", "north")
            assert times == [1_700_000_000_000 + 1000 * number for number in range(scans)]
            expected = [
                round((one.signals if kind == "signal" else one.results)[name].value or 0.0, 6)
                for one in recorded(0, scans)
            ]
            assert [round(value, 6) for value in values] == pytest.approx(expected, rel=1e-8)
    [(_, times, _)] = server.series('tegwatch_signal_value{name="signal_0"}')
    assert len(times) == scans - scans // 10
    [(_, _, qualities)] = server.series('tegwatch_signal_quality{name="signal_0"}')
    assert qualities == [2.0 if number % 10 == 0 else 0.0 for number in range(scans)]


def test_a_server_that_takes_writes_only_is_told_when_asked(tmp_path: Path) -> None:
    site = demo_site()
    with victoria_metrics(tmp_path) as server:
        settings = InfluxSettings(kind="influx", name="history", url=server.url, org="o", bucket="b")
        with (
            DatabaseHistory(settings, wording_of(site), unit_context(site), now=1.8e9) as there,
            pytest.raises(QueryFailed, match=r"answers? (no )?Flux"),
        ):
            there.units()


async def test_every_number_arrives_once_through_an_outage_and_a_repeat(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    journal = Journal.open(tmp_path / "journal.sqlite3", now=0.0)
    journal.move_cursor("history", 0)
    down = asyncio.Event()

    async def short_pause(_seconds: float) -> None:
        down.set()
        await asyncio.sleep(0.05)

    async with JournalWriter.running(journal) as writer:
        sink = sink_to(f"http://127.0.0.1:{port}", tmp_path)
        runner = SinkRunner(sink, writer, SystemClock(), sleep=short_pause)
        task = asyncio.create_task(runner.run())
        with contextlib.ExitStack() as servers:
            servers.enter_context(victoria_metrics(tmp_path, port=port))
            for one in recorded(0, SCANS // 2):
                writer.put_nowait(one)
            await runner.caught_up(SCANS // 2)
        for one in recorded(SCANS // 2, SCANS // 2):
            writer.put_nowait(one)
        await down.wait()
        with victoria_metrics(tmp_path, port=port) as server:
            await runner.caught_up(SCANS)
            check(server, SCANS)
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            again = sink_to(server.url, tmp_path)
            await again.deliver(await writer.read(0, SCANS, again.selection.kinds))
            await again.close()
            check(server, SCANS)
    assert not (tmp_path / "quarantine.lp").exists()
