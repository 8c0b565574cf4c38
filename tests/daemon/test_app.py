"""The daemon put together in this process: up in order, down in order, and what it keeps on the way."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from config.loader import parse_site
from config.site import Site
from daemon.app import run_daemon
from daemon.journal.errors import JournalError
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.keeper import Keeper
from daemon.model import Entry, EntryKind, Event, OperatingState, Outcome, Reading, Scan, ScanRecord, Status
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.sinks.runner import SinkHealth
from tests.daemon.monitor.plant import site_text
from tests.support.brokers import free_port
from tests.support.clocks import FakeClock

ALL_KINDS = frozenset(EntryKind)


def nobody_answers() -> Site:
    """The plant's site with controllers that are not there: scans go on all the same."""
    text = site_text()
    for protocol in ("modbus-tcp", "mqtt"):
        text = text.replace(f'protocol = "{protocol}"', f'protocol = "{protocol}"\nport = {free_port()}')
    return parse_site(text, "test.toml")


@contextlib.asynccontextmanager
async def running(site: Site, folder: Path) -> AsyncIterator[asyncio.Event]:
    """Run the daemon for the length of the block; the event stops it."""
    ready, stop = asyncio.Event(), asyncio.Event()
    task = asyncio.create_task(run_daemon(site, folder, stop=stop, ready=ready.set), name="daemon")
    waiting = asyncio.create_task(ready.wait())
    async with asyncio.timeout(30):
        await asyncio.wait({task, waiting}, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    try:
        if task.done():
            await task
        yield stop
    finally:
        stop.set()
        async with asyncio.timeout(30):
            await task


async def entries(path: Path) -> list[Entry]:
    journal = Journal.open(path, now=0.0)
    async with JournalWriter.running(journal) as writer:
        return await writer.read(0, 10_000, ALL_KINDS)


def events(found: list[Entry]) -> list[str]:
    return [one.body.kind for one in found if isinstance(one.body, Event)]


@pytest.fixture
def two_scans(monkeypatch: pytest.MonkeyPatch) -> asyncio.Event:
    """Set once a unit has been evaluated twice."""
    done, real = asyncio.Event(), UnitMonitor.step

    def step(self: UnitMonitor, scan: Scan) -> Outcome:
        outcome = real(self, scan)
        if scan.sequence >= 1:
            done.set()
        return outcome

    monkeypatch.setattr(UnitMonitor, "step", step)
    return done


async def test_a_daemon_without_any_controller_watches_says_so_and_stops_in_order(
    tmp_path: Path, two_scans: asyncio.Event
) -> None:
    site = nobody_answers()
    async with running(site, tmp_path):
        await two_scans.wait()
    found = await entries(tmp_path / site.journal.path)

    kinds = events(found)
    assert kinds[0] == "daemon started"
    assert kinds[-1] == "daemon stopped"
    scans = [one.body for one in found if isinstance(one.body, ScanRecord)]
    assert len(scans) >= 2
    assert all(reading.value is None for scan in scans for reading in scan.signals.values())
    assert all(scan.signals for scan in scans)
    assert all(scan.state is OperatingState.UNKNOWN for scan in scans)
    assert not (tmp_path / site.api.socket).exists()


async def test_a_saved_state_that_cannot_be_read_is_told_and_the_unit_is_watched_all_the_same(
    tmp_path: Path, two_scans: asyncio.Event
) -> None:
    site = nobody_answers()
    async with JournalWriter.running(Journal.open(tmp_path / site.journal.path, now=0.0)) as writer:
        writer.put_nowait(
            Outcome("unit-1", 0, 1.0, 1.0, OperatingState.UNKNOWN, {}, {}, checkpoint='{"version": 0}')
        )

    with capture_logs() as logs:
        async with running(site, tmp_path):
            await two_scans.wait()

    assert [line["unit"] for line in logs if line["event"] == "checkpoint_refused"] == ["unit-1"]


async def test_a_journal_writer_that_ends_takes_the_daemon_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def broken(_writer: JournalWriter) -> bool:
        raise RuntimeError("a defect in the writer")

    monkeypatch.setattr(JournalWriter, "_commit", broken)
    with pytest.raises(RuntimeError, match="a defect in the writer"):
        async with asyncio.timeout(30):
            await run_daemon(nobody_answers(), tmp_path, stop=asyncio.Event())


async def test_a_journal_that_cannot_be_opened_is_said_before_anything_starts(tmp_path: Path) -> None:
    site = nobody_answers()
    (tmp_path / site.journal.path).mkdir()
    with pytest.raises(JournalError):
        await run_daemon(site, tmp_path, stop=asyncio.Event())


class TestKeeper:
    """What does not come from a scan is kept too."""

    async def test_a_value_measured_while_the_daemon_was_away_is_kept_at_its_own_time(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "journal.sqlite3"
        async with JournalWriter.running(Journal.open(path, now=0.0)) as writer:
            keeper = Keeper(writer, FakeClock(), "configuration")
            keeper.past_reading("unit-1", "gas_rate", Reading(1.5, Status.GOOD, 1_600_000_000.0, 3.0))

        (entry,) = await entries(path)
        scan = entry.body
        assert entry.time == 1_600_000_000.0
        assert isinstance(scan, ScanRecord)
        assert scan.signals["gas_rate"].value == 1.5

    async def test_a_sink_that_fails_and_recovers_is_two_events_with_the_configuration(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "journal.sqlite3"
        async with JournalWriter.running(Journal.open(path, now=0.0)) as writer:
            keeper = Keeper(writer, FakeClock(), "configuration")
            keeper.sink_changed(SinkHealth("mail", failing_since=5.0, last_error="refused", behind=3))
            keeper.sink_changed(SinkHealth("mail"))

        bodies = [one.body for one in await entries(path)]
        kept = [(one.kind, one.message) for one in bodies if isinstance(one, Event)]
        assert kept == [
            ("sink failing", "mail cannot deliver: refused"),
            ("sink works", "mail delivers again"),
        ]
        assert all(one.data["configuration"] == "configuration" for one in bodies if isinstance(one, Event))

    async def test_nothing_is_put_into_a_closed_journal(self, tmp_path: Path) -> None:
        path = tmp_path / "journal.sqlite3"
        async with JournalWriter.running(Journal.open(path, now=0.0)) as writer:
            keeper = Keeper(writer, FakeClock(), "configuration")
        keeper.event("late", "after the end")
        assert events(await entries(path)) == []
