"""What a running daemon is made of, built from a site; and the tasks in which it runs."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import structlog
from starlette.types import ASGIApp

from config.alarm_set import resolve_alarms
from config.daemon_alarms import DAEMON
from config.loader import configuration_hash
from config.site import DehydrationUnit, Site
from daemon.acquisition import Fleet, UnitScanner, pacer_for
from daemon.clock import Clock
from daemon.configurations import Configurations
from daemon.journal.journal import Journal
from daemon.journal.storage import StorageFigures
from daemon.journal.writer import JournalWriter
from daemon.keeper import Keeper
from daemon.model import AlarmState
from daemon.monitor.alarms.engine import NOT_CONFIGURED, Departure
from daemon.monitor.farewell import farewell
from daemon.monitor.unit_monitor import SavedStateError, UnitMonitor
from daemon.notify import ServiceManager
from daemon.reload import Reloads
from daemon.self_watch import SelfWatch, Watched
from daemon.sinks.runner import SinkRunner
from daemon.sources.base import Source
from daemon.sources.board import Board
from daemon.supervisor import TaskFigures, keep_running
from daemon.web.api import WebParts
from daemon.web.entry import Entry
from daemon.web.parts import Daemon
from daemon.wiring import build_sinks, build_sources

log = structlog.get_logger(__name__)

VERSION = version("tegwatch")
LOCAL_STREAMS = 100
"""How many programs on this box may follow live values at a time."""


@dataclass(slots=True)
class Parts:
    """What a running daemon is made of."""

    site: Site
    clock: Clock
    keeper: Keeper
    writer: JournalWriter
    board: Board
    fleet: Fleet
    sources: list[Source]
    sinks: list[SinkRunner]
    own: SelfWatch
    tasks: dict[str, TaskFigures] = field(default_factory=dict)
    storage: StorageFigures = field(default_factory=StorageFigures)
    reloads: Reloads | None = None
    """Requests to read the site file again; absent where there is no file."""
    manager: ServiceManager = field(default_factory=lambda: ServiceManager({}))
    texts: Mapping[str, str] = field(default_factory=dict)
    """Text of every file that the site was read from, by path."""


@dataclass(slots=True)
class Running:
    """Tasks that a reload ends and begins anew, and the doors to what is shown."""

    web: WebParts
    doors: Mapping[Entry, Callable[[WebParts], ASGIApp]]
    """What stands behind each listener, and how it is built on other parts."""
    sources: list[asyncio.Task[None]] = field(default_factory=list)
    sinks: list[asyncio.Task[None]] = field(default_factory=list)
    live: list[asyncio.Task[None]] = field(default_factory=list)


def build_parts(
    site: Site,
    folder: Path,
    keeper: Keeper,
    writer: JournalWriter,
    clock: Clock,
    saved: Mapping[str, str | None],
    own: SelfWatch,
) -> Parts:
    """Build what a site file describes; ``saved`` holds the monitors' states by unit."""
    board = Board(site, clock)
    scanners = []
    for unit in site.units:
        scanner = scanner_of(site, unit, monitor_of(site, unit), board, writer, clock)
        if (text := saved.get(unit.name)) is not None:
            restore(scanner.monitor, text)
        scanners.append(scanner)
    sources = build_sources(site, folder, board, clock, keeper.past_reading)
    return joined(site, folder, keeper, writer, clock, own, board, Fleet(scanners), sources)


def joined(
    site: Site,
    folder: Path,
    keeper: Keeper,
    writer: JournalWriter,
    clock: Clock,
    own: SelfWatch,
    board: Board,
    fleet: Fleet,
    sources: list[Source],
) -> Parts:
    """Join what reads and evaluates with sinks of its own."""

    def alarm_state(unit: str, alarm: str) -> AlarmState | None:
        return own.alarm_state(alarm) if unit == DAEMON else fleet.alarm_state(unit, alarm)

    sinks = build_sinks(site, folder, writer, clock, keeper.sink_changed, alarm_state, keeper.event)
    return Parts(site, clock, keeper, writer, board, fleet, sources, sinks, own)


def departures(journal: Journal, site: Site) -> dict[str, str]:
    """Return the states in which monitors were kept of units that the site does not have, by unit."""
    names = journal.kept_units() - {unit.name for unit in site.units} - {DAEMON}
    found = {name: checkpoint(journal, name) for name in sorted(names)}
    return {name: text for name, text in found.items() if text is not None}


def checkpoint(journal: Journal, unit: str) -> str | None:
    """Return the state in which a unit's monitor was last kept; ``None`` if it never was."""
    found = journal.checkpoint(unit)
    return None if found is None else found.body


def monitor_of(site: Site, unit: DehydrationUnit) -> UnitMonitor:
    """Build the monitor of a unit."""
    return UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)


def scanner_of(
    site: Site,
    unit: DehydrationUnit,
    monitor: UnitMonitor,
    board: Board,
    writer: JournalWriter,
    clock: Clock,
) -> UnitScanner:
    """Build what takes a unit's scans."""
    return UnitScanner(unit, monitor, board, writer, clock, pacer_for(site, unit, clock.monotonic()))


def restore(monitor: UnitMonitor, saved: str, departure: Departure = NOT_CONFIGURED) -> None:
    """Let a monitor go on from a kept state; one that cannot be read is told, and the unit begins anew."""
    try:
        monitor.restore(saved, departure)
    except SavedStateError as error:
        log.error("checkpoint_refused", unit=monitor.unit, reason=str(error))  # noqa: TRY400 - the reason says it all


def depart(parts: Parts, unit: str, saved: str, departure: Departure) -> None:
    """Keep and send on that a unit is no longer watched: no alarm of it stays without an end."""
    now = parts.clock.wall()
    try:
        outcome = farewell(unit, saved, now, parts.clock.monotonic(), departure)
    except SavedStateError as error:
        log.error("checkpoint_refused", unit=unit, reason=str(error))  # noqa: TRY400 - the reason says it all
        return
    if outcome is not None:
        parts.writer.put_nowait(outcome)


def web_of(parts: Parts, folder: Path) -> WebParts:
    """Return what the API shows; sources are not among it."""
    daemon = Daemon(
        parts.site,
        VERSION,
        folder / parts.site.journal.path,
        parts.clock,
        parts.fleet,
        parts.board,
        parts.writer,
        parts.sinks,
        parts.tasks,
        parts.keeper.event,
        None if parts.reloads is None else parts.reloads.ask,
        parts.own,
        parts.storage,
    )
    return WebParts(daemon, parts.site.web.max_streams if parts.site.web else LOCAL_STREAMS)


def kept_texts(site: Site, texts: Mapping[str, str], folder: Path) -> str | None:
    """Keep the texts of a configuration and return their check sum; ``None`` where they cannot be kept."""
    if not texts:
        return None
    store = Configurations(folder / site.journal.path)
    try:
        return store.keep(configuration_hash(site), site, texts, folder)
    except OSError as error:  # watching goes on without it, and the event that lacks the sum says so
        log.warning("configuration_not_kept", folder=str(store.folder), reason=str(error))
        return None


def watched(parts: Parts) -> Watched:
    """Return what the daemon's watch over itself looks at."""
    return Watched(parts.fleet, parts.sinks, parts.writer, parts.tasks, parts.storage.failing)


async def eternal(parts: Parts, name: str, run: Callable[[], Awaitable[None]]) -> None:
    """Run a task again and again until cancelled, under a name by which its ends are counted."""
    figures = parts.tasks.setdefault(name, TaskFigures())
    await keep_running(name, run, parts.clock, figures)


def _start(
    group: asyncio.TaskGroup, parts: Parts, runs: Mapping[str, Callable[[], Awaitable[None]]]
) -> list[asyncio.Task[None]]:
    return [group.create_task(eternal(parts, name, run), name=name) for name, run in runs.items()]


def begin_sources(group: asyncio.TaskGroup, parts: Parts, running: Running) -> None:
    """Start to read the field."""
    running.sources = _start(group, parts, {f"source {one.name}": one.run for one in parts.sources})


def begin_outward(group: asyncio.TaskGroup, parts: Parts, running: Running) -> None:
    """Start to deliver, and to show live values."""
    running.sinks = _start(group, parts, {f"sink {one.name}": one.run for one in parts.sinks})
    running.live = _start(group, parts, {"live values": running.web.broadcaster.run})


async def ended(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel tasks and return when they have let go of what they held."""
    waiting = list(tasks)
    for task in waiting:
        task.cancel()
    if waiting:
        await asyncio.wait(waiting)
