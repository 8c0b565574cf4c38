"""Scans from the board to the journal: paced, kept before they are told, and alive whatever one step does."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import cast

import pytest
from structlog.testing import capture_logs

from config.site import DehydrationUnit, Site
from daemon.acquisition import Fleet, LoadFigures, LoadWatch, UnitScanner, pacer_for
from daemon.journal.writer import JournalWriter
from daemon.model import (
    ActionKind,
    AlarmTransition,
    Link,
    LinkState,
    OperatingState,
    OperatorAction,
    Outcome,
    Reading,
    Scan,
    Status,
)
from daemon.monitor.alarms.actions import ActionRefusedError, Refusal
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.pacing import JUDGED, LATE, PROBE_PERIOD
from daemon.sources.board import Board
from tests.support.clocks import FakeClock
from tests.support.outcomes import transition
from tests.support.sites import site_with

CONTROLLERS = """
[[controllers]]
name = "quick"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
[[controllers]]
name = "other"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = 503
addressing = "zero-based"
[[controllers]]
name = "lazy"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = 504
addressing = "zero-based"
scan_period = "10 s"
"""
SIGNALS = """
[units.signals]
gas_rate = { controller = "quick", table = "holding", address = 0, type = "uint16", unit = "MMscfd" }
reboiler_temperature = { controller = "other", table = "holding", address = 0, type = "int16", unit = "degF" }
surge_level = { controller = "lazy", table = "holding", address = 0, type = "uint16", unit = "%" }
"""
UNIT = "unit-1"


@dataclass
class FakeMonitor:
    """Records its scans; raises, refuses or transitions as a test says."""

    scans: list[Scan] = field(default_factory=list)
    failure: Exception | None = None
    refusal: ActionRefusedError | None = None
    transitions: tuple[AlarmTransition, ...] = ()
    state: OperatingState = OperatingState.DRYING

    def step(self, scan: Scan) -> Outcome:
        self.scans.append(scan)
        if self.failure is not None:
            raise self.failure
        return Outcome(scan.unit, scan.sequence, scan.time, scan.monotonic, self.state, scan.readings, {})

    def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        if self.refusal is not None:
            raise self.refusal
        return self.transitions

    def save(self) -> str:
        return "state after the action"


@dataclass
class FakeWriter:
    """Takes outcomes; ``committed`` returns when a test says that the disk has them."""

    full: bool = False
    taken: list[Outcome] = field(default_factory=list)
    on_disk: asyncio.Event = field(default_factory=asyncio.Event)

    def put_nowait(self, outcome: Outcome) -> None:
        assert not self.full
        self.taken.append(outcome)

    async def committed(self, outcome: Outcome) -> None:
        self.taken.append(outcome)
        await self.on_disk.wait()

    def events(self) -> list[tuple[str, str]]:
        return [(event.kind, event.message) for one in self.taken for event in one.events]


class LoopClock(FakeClock):
    """The clock of the event loop, which a test's own loop time moves."""

    def monotonic(self) -> float:
        return asyncio.get_running_loop().time()


@dataclass
class Rig:
    site: Site
    clock: FakeClock
    board: Board
    monitor: FakeMonitor
    writer: FakeWriter
    scanner: UnitScanner

    @property
    def unit(self) -> DehydrationUnit:
        return self.site.units[0]

    def report(self, *controllers: str, after: float = 0.0) -> None:
        """Let controllers finish a poll cycle."""
        self.clock.advance(after)
        for controller in controllers:
            self.board.cycle_done(controller)

    def action(self) -> OperatorAction:
        now = self.clock.monotonic()
        return OperatorAction(ActionKind.ACKNOWLEDGE, UNIT, "reboiler_high", "ada", self.clock.wall(), now)


def make_rig(clock: FakeClock | None = None) -> Rig:
    site = site_with(CONTROLLERS, SIGNALS)
    clock = clock or FakeClock()
    board, monitor, writer = Board(site, clock), FakeMonitor(), FakeWriter()
    scanner = UnitScanner(
        site.units[0],
        cast("UnitMonitor", monitor),
        board,
        cast("JournalWriter", writer),
        clock,
        pacer_for(site, site.units[0], clock.monotonic()),
    )
    return Rig(site, clock, board, monitor, writer, scanner)


async def test_a_unit_waits_for_its_quick_controllers_only() -> None:
    rig = make_rig()
    assert pacer_for(rig.site, rig.unit, 0.0).polled == {"quick", "other"}
    rig.scanner.start()

    rig.report("quick", "lazy")
    assert rig.monitor.scans == []
    rig.report("other", after=0.02)
    assert [scan.monotonic for scan in rig.monitor.scans] == [rig.clock.monotonic()]

    rig.report("quick", after=0.98)
    rig.report("other", after=0.02)
    assert [scan.sequence for scan in rig.monitor.scans] == [0, 1]


async def test_a_scan_holds_the_newest_readings_and_links_of_its_unit() -> None:
    rig = make_rig()
    rig.scanner.start()
    reading = Reading(1.5, Status.GOOD, rig.clock.wall(), rig.clock.monotonic())
    rig.board.put(UNIT, "gas_rate", Reading(1.4, Status.GOOD, 0.0, 0.0))
    rig.board.put(UNIT, "gas_rate", reading)
    up = Link(LinkState.UP, rig.clock.monotonic())
    rig.board.set_link("quick", up)

    rig.report("quick", "other")

    (scan,) = rig.monitor.scans
    assert scan.readings["gas_rate"] is reading
    assert scan.links["quick"] is up
    assert scan.time == rig.clock.wall()
    assert [one.sequence for one in rig.writer.taken] == [0]
    assert rig.scanner.latest is rig.writer.taken[0]


@pytest.mark.looptime
async def test_a_controller_that_dies_costs_half_a_period_and_no_scan() -> None:
    rig = make_rig(LoopClock())
    rig.scanner.start()

    for _ in range(5):  # "other" never reports
        rig.report("quick")
        await asyncio.sleep(1.0)

    assert len(rig.monitor.scans) == 5
    assert [round(scan.monotonic % 1.0, 3) for scan in rig.monitor.scans] == [0.5] * 5
    assert rig.scanner.missed == 0
    rig.scanner.stop()


@pytest.mark.looptime
async def test_no_scan_is_taken_after_stop() -> None:
    rig = make_rig(LoopClock())
    rig.scanner.start()
    await asyncio.sleep(0.6)
    rig.scanner.stop()
    taken = len(rig.monitor.scans)

    rig.report("quick", "other")
    await asyncio.sleep(5.0)

    assert taken == len(rig.monitor.scans) == 1


async def test_a_failing_step_is_told_once_counted_each_time_and_told_when_it_works_again() -> None:
    rig = make_rig()
    rig.scanner.start()
    rig.monitor.failure = ZeroDivisionError("no strokes")
    with capture_logs() as logs:
        for _ in range(3):
            rig.report("quick", "other", after=1.0)

    figures = rig.scanner.figures
    assert (figures.taken, figures.failed, figures.failing) == (0, 3, "ZeroDivisionError: no strokes")
    assert [line["event"] for line in logs] == ["scan_failed"]
    assert [kind for kind, _ in rig.writer.events()] == ["evaluation failing"]
    assert "its alarms are not being watched: ZeroDivisionError: no strokes" in rig.writer.events()[0][1]
    assert rig.scanner.latest is None

    rig.monitor.failure = KeyError("another")
    with capture_logs() as logs:
        rig.report("quick", "other", after=1.0)
    assert [kind for kind, _ in rig.writer.events()] == ["evaluation failing"] * 2

    rig.monitor.failure = None
    rig.report("quick", "other", after=1.0)
    assert figures.failing == ""
    assert (figures.taken, figures.failed) == (1, 4)
    assert [kind for kind, _ in rig.writer.events()][2:] == ["evaluation works"]
    # The monitor saw every scan, numbered without gaps, also those that it failed on.
    assert [scan.sequence for scan in rig.monitor.scans] == [0, 1, 2, 3, 4]


async def test_a_failure_whose_words_change_at_every_scan_is_told_once() -> None:
    rig = make_rig()
    rig.scanner.start()
    with capture_logs() as logged:
        for value in (1.25, 1.26, 1.27):
            rig.monitor.failure = ValueError(f"no water content at {value} K")
            rig.report("quick", "other", after=1.0)
    assert [kind for kind, _ in rig.writer.events()] == ["evaluation failing"]
    assert len([entry for entry in logged if entry["event"] == "scan_failed"]) == 1
    assert rig.scanner.figures.failing.endswith("1.27 K")


async def test_a_closed_journal_holds_the_monitor_where_it_is() -> None:
    rig = make_rig()
    rig.scanner.start()
    rig.writer.full = True

    rig.report("quick", "other")

    assert (rig.scanner.figures.refused, rig.monitor.scans) == (1, [])


async def test_an_action_is_answered_only_when_it_is_on_the_disk() -> None:
    rig = make_rig()
    rig.monitor.transitions = (transition(1, unit=UNIT, actor="ada"),)

    applying = asyncio.create_task(rig.scanner.apply(rig.action()))
    await asyncio.sleep(0)
    (kept,) = rig.writer.taken
    assert kept.alarms == rig.monitor.transitions
    assert kept.checkpoint == "state after the action"
    assert kept.given is not None
    assert kept.given.action == rig.action()
    assert not applying.done()

    rig.writer.on_disk.set()
    assert await applying == rig.monitor.transitions


async def test_an_action_that_changes_nothing_waits_for_nothing() -> None:
    rig = make_rig()
    assert await rig.scanner.apply(rig.action()) == ()
    assert rig.writer.taken == []


async def test_a_refused_action_is_not_kept() -> None:
    rig = make_rig()
    rig.monitor.refusal = ActionRefusedError(Refusal.NOTHING_TO_ACKNOWLEDGE, "it is normal")
    with pytest.raises(ActionRefusedError, match="it is normal"):
        await rig.scanner.apply(rig.action())
    assert rig.writer.taken == []


async def test_figures_numbers_and_grid_go_on_over_a_reload() -> None:
    rig = make_rig()
    rig.scanner.start()
    rig.report("quick", "other")
    rig.report("quick", "other", after=4.0)  # whoever held the box up for four seconds
    missed = rig.scanner.missed
    assert missed > 0

    after = make_rig(rig.clock)
    due = rig.scanner._pacer.due
    changed = cast("UnitMonitor", after.monitor)  # a stand-in
    rig.scanner.exchange(after.scanner.unit, changed, after.board, after.scanner._pacer)
    assert rig.scanner._pacer.due == due
    rig.report("quick", "other", after=0.5)  # the board of before is nobody's business any more
    after.report("quick", "other", after=0.5)

    assert rig.scanner.figures.taken == 3
    assert rig.scanner.missed == missed
    assert [scan.sequence for scan in after.monitor.scans] == [2]
    assert len(rig.monitor.scans) == 2


async def test_lateness_is_counted() -> None:
    rig = make_rig()
    rig.scanner.start()
    rig.report("quick", "other")
    rig.report("quick", "other", after=1.03)

    figures = rig.scanner.figures
    assert figures.last_lateness == figures.worst_lateness == pytest.approx(0.03)
    assert figures.lateness.count == 2


class TestLoadWatch:
    """A box that does not keep up: seen, said, borne by fewer scans, and over again."""

    PROBES = int(JUDGED / PROBE_PERIOD) + 1

    async def test_persistent_lateness_slows_scans_and_is_said_once(self) -> None:
        rig = make_rig()
        fleet = Fleet([rig.scanner])
        said: list[tuple[str, str]] = []
        watch = LoadWatch(rig.clock, lambda: fleet, lambda kind, message: said.append((kind, message)))
        rig.scanner.start()
        rig.report("quick", "other")

        with capture_logs() as logs:
            for probe in range(self.PROBES):
                watch.probe(3.0 * LATE, probe * PROBE_PERIOD)

        assert fleet.load.stretch == 2
        assert rig.scanner.period == 2.0
        assert [kind for kind, _ in said] == ["overload"]
        assert "once in 2 scan periods" in said[0][1]
        assert "0.30 s late" in said[0][1]
        assert [line["event"] for line in logs] == ["overload"]

        for _ in range(4):
            rig.report("quick", "other", after=1.0)
        # The one due already is still taken; from then on every second.
        assert len(rig.monitor.scans) == 1 + 2
        assert rig.scanner.missed == 2

    async def test_when_it_is_over_every_period_is_scanned_again(self) -> None:
        rig = make_rig()
        fleet = Fleet([rig.scanner])
        said: list[str] = []
        watch = LoadWatch(rig.clock, lambda: fleet, lambda kind, _: said.append(kind))
        for probe in range(self.PROBES):
            watch.probe(1.0, probe * PROBE_PERIOD)
        probe = self.PROBES
        while fleet.load.stretch > 1 and probe < 10_000:
            watch.probe(0.001, probe * PROBE_PERIOD)
            probe += 1

        assert said == ["overload", "overload over"]
        assert fleet.load == LoadFigures(lag=0.001, stretch=1)
        assert fleet.load.overload == ""
        assert rig.scanner.period == 1.0

    async def test_a_fleet_that_a_reload_made_bears_the_same_load(self) -> None:
        first, second = make_rig(), make_rig()
        fleets = [Fleet([first.scanner])]
        watch = LoadWatch(first.clock, lambda: fleets[-1], lambda _kind, _message: None)
        for probe in range(self.PROBES):
            watch.probe(1.0, probe * PROBE_PERIOD)

        fleets.append(Fleet([second.scanner]))
        watch.probe(0.0, self.PROBES * PROBE_PERIOD)

        assert second.scanner.period == 2.0

    @pytest.mark.looptime
    async def test_a_loop_that_is_on_time_is_seen_as_such(self) -> None:
        clock = LoopClock()
        rig = make_rig(clock)
        fleet = Fleet([rig.scanner])
        task = asyncio.create_task(LoadWatch(clock, lambda: fleet, lambda _kind, _message: None).run())
        await asyncio.sleep(60.0)
        task.cancel()

        assert fleet.load.lag == pytest.approx(0.0, abs=0.01)
        assert fleet.load.stretch == 1
