"""The composition root: from a loaded site to a running daemon, and down again in order.

Start: journal, monitors from their checkpoints, sources, scans, sinks, API. Stop: scans first, then sources,
then the sinks get a moment to deliver, then the journal stores what is waiting. Every phase has a limit.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import structlog

from config.alarm_set import resolve_alarms
from config.hashes import values_hash
from config.loader import configuration_hash
from config.site import DehydrationUnit, Site
from config.web import WebSettings
from daemon.acquisition import Fleet, UnitScanner, pacer_for
from daemon.clock import Clock, SystemClock
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.model import Event, OperatingState, Outcome, Reading
from daemon.monitor.unit_monitor import SavedStateError, UnitMonitor
from daemon.sinks.runner import SinkHealth, SinkRunner
from daemon.sources.base import Source
from daemon.sources.board import Board
from daemon.supervisor import TaskFigures, keep_running
from daemon.web.access.accounts import AccountsFile
from daemon.web.access.authority import Authority
from daemon.web.access.throttle import RequestRate
from daemon.web.api import WebParts, local_api, network_api
from daemon.web.parts import Daemon
from daemon.web.server import Listener, local_listener, network_listener
from daemon.wiring import build_sinks, build_sources

log = structlog.get_logger(__name__)

VERSION = version("tegwatch")
STOP_LIMIT = 5.0
"""How long the sinks may take to deliver what is left [s]."""
LOCAL_STREAMS = 100
"""How many programs on this box may follow live values at a time."""
PRUNE_EVERY = 600.0
"""How often scans that are older than the site keeps them are looked for [s]."""


@dataclass(slots=True)
class Parts:
    """What a running daemon is made of."""

    site: Site
    clock: Clock
    keeper: _Keeper
    writer: JournalWriter
    board: Board
    fleet: Fleet
    sources: list[Source]
    sinks: list[SinkRunner]
    tasks: dict[str, TaskFigures] = field(default_factory=dict)


async def run_daemon(
    site: Site,
    folder: Path,
    *,
    stop: asyncio.Event,
    clock: Clock | None = None,
    ready: Callable[[], None] | None = None,
) -> None:
    """Run the daemon until ``stop`` is set.

    Parameters
    ----------
    site : Site
        The configuration.
    folder : pathlib.Path
        Folder of the site file; relative paths in it start here.
    stop : asyncio.Event
        Set it to stop.
    clock : Clock, optional
        Wall and monotonic time; default: this box's.
    ready : callable, optional
        Called once scans are being taken and the API answers.

    Raises
    ------
    daemon.journal.errors.JournalError
        The journal cannot be opened, or could not store all at the end.
    OSError
        The API's socket cannot be opened.
    """
    clock = clock or SystemClock()
    journal = await asyncio.to_thread(Journal.open, folder / site.journal.path, now=clock.wall())
    async with JournalWriter.running(journal, clock) as writer:
        board = Board(site, clock)
        keeper = _Keeper(writer, clock, configuration_hash(site))
        fleet = Fleet(_scanner(site, unit, journal, board, writer, clock) for unit in site.units)
        parts = Parts(
            site,
            clock,
            keeper,
            writer,
            board,
            fleet,
            build_sources(site, folder, board, clock, keeper.past_reading),
            build_sinks(site, folder, writer, clock, keeper.sink_changed, fleet.alarm_state),
        )
        await _serve(parts, folder, stop, ready)


class _Keeper:
    """Puts into the journal what does not come from a scan."""

    def __init__(self, writer: JournalWriter, clock: Clock, configuration: str) -> None:
        self._writer = writer
        self._clock = clock
        self._configuration = configuration

    def event(self, kind: str, message: str, **data: str | float | bool | None) -> None:
        """Keep something that the daemon did or noticed."""
        now = self._clock.wall()
        event = Event("", kind, now, message, {"configuration": self._configuration, **data})
        self._put(Outcome("", 0, now, self._clock.monotonic(), OperatingState.UNKNOWN, {}, {}, (), (event,)))

    def past_reading(self, unit: str, signal: str, reading: Reading) -> None:
        """Keep a value that was measured while the daemon was away, at its own time."""
        self._put(
            Outcome(unit, 0, reading.time, reading.received, OperatingState.UNKNOWN, {signal: reading}, {})
        )

    def sink_changed(self, health: SinkHealth) -> None:
        """Keep that a sink began to fail or works again; the other sinks send it on."""
        if health.failing_since is not None:
            message = f"{health.name} cannot deliver: {health.last_error}"
            self.event("sink failing", message, sink=health.name, behind=health.behind)
        else:
            message = f"{health.name} delivers again"
            self.event("sink works", message, sink=health.name, behind=health.behind)

    def _put(self, outcome: Outcome) -> None:
        if not self._writer.full:
            self._writer.put_nowait(outcome)


def _scanner(
    site: Site, unit: DehydrationUnit, journal: Journal, board: Board, writer: JournalWriter, clock: Clock
) -> UnitScanner:
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    checkpoint = journal.checkpoint(unit.name)
    if checkpoint is not None:
        try:
            monitor.restore(checkpoint.body)
        except SavedStateError as error:
            log.error("checkpoint_refused", unit=unit.name, reason=str(error))  # noqa: TRY400 - the reason says it all
    return UnitScanner(unit, monitor, board, writer, clock, pacer_for(site, unit, clock.monotonic()))


async def _serve(parts: Parts, folder: Path, stop: asyncio.Event, ready: Callable[[], None] | None) -> None:
    streams = parts.site.web.max_streams if parts.site.web else LOCAL_STREAMS
    web = WebParts(_shown(parts, folder), streams)
    local = local_listener(local_api(web), folder / parts.site.api.socket)
    local.bind()
    listeners = {"local API": local}
    if parts.site.web is not None:
        listeners["web"] = _network(parts, parts.site.web, folder, web)
    parts.keeper.event(
        "daemon started", f"tegwatch {VERSION} started", values=values_hash(parts.site), version=VERSION
    )
    async with asyncio.TaskGroup() as group:
        eternal = [
            group.create_task(
                _eternal(parts, f"source {source.name}", source.run), name=f"source {source.name}"
            )
            for source in parts.sources
        ]
        deliveries = [
            group.create_task(_eternal(parts, f"sink {sink.name}", sink.run), name=f"sink {sink.name}")
            for sink in parts.sinks
        ]
        eternal.append(
            group.create_task(_eternal(parts, "retention", lambda: _retention(parts)), name="retention")
        )
        serving = [
            group.create_task(_eternal(parts, name, listener.run), name=name)
            for name, listener in listeners.items()
        ]
        serving.append(
            group.create_task(_eternal(parts, "live values", web.broadcaster.run), name="live values")
        )
        parts.fleet.start()
        log.info(
            "daemon_started",
            site=parts.site.site.name,
            units=len(parts.site.units),
            controllers=len(parts.site.controllers),
            configuration=configuration_hash(parts.site),
        )
        if ready is not None:
            ready()
        await stop.wait()

        log.info("daemon_stopping")
        parts.fleet.stop()
        for task in eternal:
            task.cancel()
        parts.keeper.event("daemon stopped", f"tegwatch {VERSION} stopped in order")
        await _let_sinks_finish(parts)
        for task in deliveries:
            task.cancel()
        for task in serving:
            task.cancel()
    web.close()
    log.info("daemon_stopped")


async def _eternal(parts: Parts, name: str, run: Callable[[], object]) -> None:
    figures = parts.tasks.setdefault(name, TaskFigures())
    await keep_running(name, run, parts.clock, figures)  # type: ignore[arg-type]  # every run is a coroutine function


async def _let_sinks_finish(parts: Parts) -> None:
    """Give every sink that works a moment to deliver; what is left waits in the journal."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(STOP_LIMIT):
            for sink in parts.sinks:
                if sink.health.failing_since is None:
                    await sink.caught_up(parts.writer.head)


async def _retention(parts: Parts) -> None:
    readers = {sink.name for sink in parts.sinks if sink.sends_scans}
    while True:
        await asyncio.sleep(PRUNE_EVERY)
        pruned = await parts.writer.prune(parts.clock.wall() - parts.site.journal.keep, readers)
        while not pruned.finished:
            pruned = await parts.writer.prune(parts.clock.wall() - parts.site.journal.keep, readers)
        if pruned.lost:
            log.error("scans_deleted_undelivered", lost=pruned.lost)


def _shown(parts: Parts, folder: Path) -> Daemon:
    """Return what the API shows; sources are not among it."""
    return Daemon(
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
    )


def _network(parts: Parts, settings: WebSettings, folder: Path, web: WebParts) -> Listener:
    """Return the TCP listener; where there are no users yet, say by which secret the first one is made."""
    accounts = AccountsFile((folder / parts.site.journal.path).parent / settings.users_file)
    words = (parts.site.site.name, parts.site.site.title)
    authority = Authority(accounts, settings, parts.clock, parts.keeper.event, words)
    secret = authority.first_run_secret()
    if secret is not None:
        log.warning(
            "first_run",
            advice="make the first user, an admin: tegwatch users add SITE NAME --role admin, or with this "
            "one-time word at /login; it works for an hour",
            word=secret,
        )
    rate = RequestRate(settings.requests_per_second, settings.request_burst)
    return network_listener(network_api(web, authority, rate), settings, folder)


def stop_on_signals(stop: asyncio.Event) -> None:
    """Let SIGTERM and SIGINT end the daemon in order."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
