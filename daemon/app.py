"""The composition root: from a loaded site to a running daemon, and down again in order.

Start: journal, monitors from their checkpoints, sources, scans, sinks, API. Stop: scans first, then sources,
then the sinks get a moment to deliver, then the journal stores what is waiting. Every phase has a limit.
A reload builds everything that a site file describes anew, beside the old, and then exchanges them between
two scans; journal, listeners and log-ins go on.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Mapping
from pathlib import Path

import structlog
from starlette.types import ASGIApp

from config.daemon_alarms import DAEMON
from config.hashes import values_hash
from config.loader import LoadedSite, configuration_hash
from config.site import Site
from config.web import WebSettings
from daemon.acquisition import LoadWatch
from daemon.clock import Clock, SystemClock
from daemon.housekeeping import Housekeeping
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.keeper import Keeper
from daemon.monitor.alarms.engine import Departure
from daemon.notify import ServiceManager, overdue, scans_of
from daemon.parts import (
    VERSION,
    Parts,
    Running,
    begin_outward,
    begin_sources,
    build_parts,
    checkpoint,
    depart,
    departures,
    ended,
    eternal,
    kept_texts,
    watched,
    web_of,
)
from daemon.reload import Reloads
from daemon.reloading import reloading
from daemon.self_watch import SelfWatch
from daemon.web.access.accounts import AccountsFile
from daemon.web.access.authority import Authority
from daemon.web.access.throttle import RequestRate
from daemon.web.api import WebParts, local_api
from daemon.web.entry import Entry
from daemon.web.pages.routes import network_api_with_pages
from daemon.web.server import Listener, local_listener, network_listener

log = structlog.get_logger(__name__)

STOP_LIMIT = 5.0
"""How long the sinks may take to deliver what is left [s]."""


async def run_daemon(
    site: Site,
    folder: Path,
    *,
    stop: asyncio.Event,
    clock: Clock | None = None,
    ready: Callable[[], None] | None = None,
    texts: Mapping[str, str] | None = None,
    load: Callable[[], LoadedSite] | None = None,
    hang_up: asyncio.Event | None = None,
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
    texts : mapping, optional
        Text of every file that the configuration was read from, by path; kept beside the journal.
    load : callable, optional
        Reads the site file again for a reload; raises ``ConfigError``.
    hang_up : asyncio.Event, optional
        Set it to ask for a reload; cleared when it is heard.

    Raises
    ------
    daemon.journal.errors.JournalError
        The journal cannot be opened, or could not store all at the end.
    OSError
        The API's socket cannot be opened.
    """
    clock = clock or SystemClock()
    with contextlib.closing(ServiceManager()) as manager:
        journal = await asyncio.to_thread(Journal.open, folder / site.journal.path, now=clock.wall())
        async with JournalWriter.running(journal, clock) as writer:
            keeper = Keeper(writer, clock, configuration_hash(site))
            saved = {unit.name: checkpoint(journal, unit.name) for unit in site.units}
            own = SelfWatch(site, writer, clock, folder / site.journal.path)
            own.restore(checkpoint(journal, DAEMON))
            parts = build_parts(site, folder, keeper, writer, clock, saved, own)
            parts.manager = manager
            if load is not None:
                parts.reloads = Reloads()
            parts.texts = texts or {}
            for unit, text in departures(journal, site).items():
                depart(parts, unit, text, Departure("the configuration that was loaded has no such unit"))
            await _serve(parts, folder, stop, ready, load, hang_up or asyncio.Event())


async def _serve(
    parts: Parts,
    folder: Path,
    stop: asyncio.Event,
    ready: Callable[[], None] | None,
    load: Callable[[], LoadedSite] | None,
    hang_up: asyncio.Event,
) -> None:
    running, listeners = _open_doors(parts, folder)
    parts.keeper.event(
        "daemon started",
        f"tegwatch {VERSION} started",
        values=values_hash(parts.site),
        version=VERSION,
        texts=await asyncio.to_thread(kept_texts, parts.site, parts.texts, folder),
    )
    housekeeping = Housekeeping(
        parts.writer,
        parts.clock,
        lambda: parts.site,
        lambda: {sink.name for sink in parts.sinks if sink.sends_scans},
        parts.keeper.event,
        parts.storage,
    )

    async def watch() -> None:
        await parts.own.run(lambda: watched(parts))

    load_watch = LoadWatch(parts.clock, lambda: parts.fleet, parts.keeper.event)
    async with asyncio.TaskGroup() as group:
        # A writer that ends takes the daemon with it: unkept alarms are no alarms, and a new start mends it.
        inward = [
            group.create_task(parts.writer.watch(), name="journal writer"),
            group.create_task(eternal(parts, "housekeeping", housekeeping.run), name="housekeeping"),
            group.create_task(eternal(parts, "watchdog", lambda: _feed_watchdog(parts)), name="watchdog"),
            group.create_task(eternal(parts, "load watch", load_watch.run), name="load watch"),
            group.create_task(eternal(parts, "watch over itself", watch), name="watch over itself"),
        ]
        if load is not None and parts.reloads is not None:
            carrying_out = reloading(group, parts, running, folder, load, parts.reloads)
            inward.append(group.create_task(carrying_out, name="reloads"))
            hearing = _hear_hang_up(parts.reloads, hang_up)
            inward.append(group.create_task(hearing, name="hang-up signal"))
        begin_sources(group, parts, running)
        begin_outward(group, parts, running)
        serving = [
            group.create_task(eternal(parts, name, listener.run), name=name)
            for name, listener in listeners.items()
        ]
        parts.fleet.start()
        log.info(
            "daemon_started",
            site=parts.site.site.name,
            units=len(parts.site.units),
            controllers=len(parts.site.controllers),
            configuration=configuration_hash(parts.site),
        )
        parts.manager.send("READY=1", f"STATUS=watching {len(parts.site.units)} units")
        if ready is not None:
            ready()
        await stop.wait()

        log.info("daemon_stopping")
        parts.manager.send("STOPPING=1")
        await ended(inward)
        parts.fleet.stop()
        for task in running.sources:
            task.cancel()
        parts.keeper.event("daemon stopped", f"tegwatch {VERSION} stopped in order")
        await _let_sinks_finish(parts)
        for task in (*running.sinks, *serving, *running.live):
            task.cancel()
    running.web.close()
    log.info("daemon_stopped")


async def _feed_watchdog(parts: Parts) -> None:
    """Tell the service manager that all is alive, for as long as all is."""
    withheld: tuple[str, ...] = ()
    while True:
        vitals = [
            scans_of(one.unit.name, one.last_taken, one.period) for one in parts.fleet.scanners.values()
        ]
        late = overdue(vitals, parts.clock.monotonic(), writer_alive=not parts.writer.full)
        if late:
            log.error("watchdog_withheld", reasons=list(late))
            parts.manager.send(f"STATUS={'; '.join(late)}")
        else:
            parts.manager.send("WATCHDOG=1", *(("STATUS=all is watched again",) if withheld else ()))
        withheld = late
        await asyncio.sleep(parts.manager.period)


async def _hear_hang_up(reloads: Reloads, hang_up: asyncio.Event) -> None:
    while True:
        await hang_up.wait()
        hang_up.clear()
        reloads.ask_nowait("signal", "SIGHUP")


async def _let_sinks_finish(parts: Parts) -> None:
    """Give every sink that works a moment to deliver; what is left waits in the journal."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(STOP_LIMIT):
            for sink in parts.sinks:
                if sink.health.failing_since is None:
                    await sink.caught_up(parts.writer.head)


def _open_doors(parts: Parts, folder: Path) -> tuple[Running, dict[str, Listener]]:
    """Bind the listeners; where nobody can log in yet, say by which secret the first user is made."""
    web = web_of(parts, folder)
    local = Entry(local_api(web))
    doors: dict[Entry, Callable[[WebParts], ASGIApp]] = {local: local_api}
    listener = local_listener(local, folder / parts.site.api.socket)
    listener.bind()
    listeners = {"local API": listener}
    settings = parts.site.web
    if settings is not None:
        authority = _authority(parts, settings, folder)
        rate = RequestRate(settings.requests_per_second, settings.request_burst)
        network = Entry(network_api_with_pages(web, authority, rate))
        doors[network] = lambda other: network_api_with_pages(other, authority, rate)
        listeners["web"] = network_listener(network, settings, folder)
    return Running(web, doors), listeners


def _authority(parts: Parts, settings: WebSettings, folder: Path) -> Authority:
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
    return authority


def listen_to_signals(stop: asyncio.Event, hang_up: asyncio.Event) -> None:
    """Let SIGTERM and SIGINT end the daemon in order, and SIGHUP make it read the site file again."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, hang_up.set)
