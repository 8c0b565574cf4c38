"""A reload: what a site file describes is built anew beside the old, and exchanged between two scans.

Journal, listeners, connections and log-ins go on; alarms keep state, shelvings and delays. Until the moment
of exchange nothing is touched, so a refusal changes nothing.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ParamSpec, TypeVar

import structlog
from starlette.types import ASGIApp

from config.alarm_set import resolve_alarms
from config.errors import ConfigError
from config.hashes import values_hash
from config.loader import LoadedSite, configuration_hash
from config.site import DehydrationUnit, Site
from daemon.acquisition import Fleet, UnitScanner, pacer_for
from daemon.monitor.alarms.engine import Departure
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.parts import (
    VERSION,
    Parts,
    Running,
    begin_outward,
    begin_sources,
    depart,
    ended,
    joined,
    kept_texts,
    monitor_of,
    restore,
    scanner_of,
    web_of,
)
from daemon.reload import ReloadRefused, ReloadReport, ReloadRequest, Reloads, differences, needs_restart
from daemon.sources.board import Board
from daemon.web.api import WebParts
from daemon.wiring import build_sources

log = structlog.get_logger(__name__)
P = ParamSpec("P")
T = TypeVar("T")
SWITCH = 0.0005
"""How long a thread that builds may keep the event loop waiting [s]."""


async def reloading(
    group: asyncio.TaskGroup,
    parts: Parts,
    running: Running,
    folder: Path,
    load: Callable[[], LoadedSite],
    reloads: Reloads,
) -> None:
    """Carry out reloads, one at a time."""
    while True:
        request = await reloads.next()
        try:
            report = await _reload(group, parts, running, folder, load, request)
        except ReloadRefused as refused:
            log.warning("reload_refused", actor=request.actor, reason=str(refused))
            parts.keeper.event(
                "configuration refused", str(refused), actor=request.actor, reason=request.reason
            )
            if not request.answer.done():
                request.answer.set_exception(refused)
        else:
            if not request.answer.done():
                request.answer.set_result(report)


@dataclass(slots=True)
class _Prepared:
    """What a changed site file describes, built beside what is in force; nothing of it works yet."""

    parts: Parts
    web: WebParts
    applications: list[ASGIApp]
    monitors: dict[str, UnitMonitor]
    """Of units that go on and whose evaluation changes."""
    added: list[UnitScanner]
    same_field: bool
    """Whether nothing that is read in the field changes: then sources and board go on as they are."""
    texts: str | None
    values: str
    """Hash of what values rest on."""


async def _reload(
    group: asyncio.TaskGroup,
    parts: Parts,
    running: Running,
    folder: Path,
    load: Callable[[], LoadedSite],
    request: ReloadRequest,
) -> ReloadReport:
    """Build what the new site file describes beside the old, then exchange them between two scans.

    Whatever takes long is done on a thread. Units are exchanged one by one, and the event loop has its turn
    after each: no scan waits for another unit's.
    """
    previous = parts.keeper.configuration
    try:
        loaded = await _aside(load)
    except ConfigError as error:
        raise ReloadRefused(str(error)) from None
    site = loaded.site
    configuration = await _aside(configuration_hash, site)
    changed = await _aside(differences, parts.site, site)
    if not changed:
        return ReloadReport(previous, configuration, ())
    if fixed := needs_restart(parts.site, site):
        raise ReloadRefused(f"only a restart can change {', '.join(fixed)}")
    try:
        new = await _aside(_prepare, parts, running, folder, loaded)
    except Exception as error:
        log.exception("reload_failed")
        raise ReloadRefused(f"the parts cannot be built: {type(error).__name__}: {error}") from error

    parts.manager.send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
    by = request.actor or "nobody named"
    departure = Departure(f"removed from the configuration by reload {configuration}, {by}", request.actor)
    for entry, application in zip(running.doors, new.applications, strict=True):
        entry.application = application
    old_site, old_board, old_fleet = parts.site, parts.board, parts.fleet
    old_web = running.web
    parts.site, parts.board, parts.fleet = site, new.parts.board, new.parts.fleet
    parts.sources, parts.sinks, running.web = new.parts.sources, new.parts.sinks, new.web
    parts.own.reconfigure(site, departure)
    parts.keeper.configuration = configuration
    parts.keeper.event(
        "configuration changed",
        f"configuration {configuration} is in force: {', '.join(changed)}",
        previous=previous,
        values=new.values,
        version=VERSION,
        texts=new.texts,
        actor=request.actor,
        reason=request.reason,
    )
    for name in old_fleet.scanners.keys() - new.parts.fleet.scanners.keys():
        old_fleet.scanners[name].stop()
        depart(parts, name, old_fleet.scanners[name].monitor.save(), departure)
    await _exchange(parts, new, old_site, old_board, departure)
    if not new.same_field:
        await _ended(parts, running.sources)
        begin_sources(group, parts, running)
    new.parts.fleet.load = old_fleet.load
    for scanner in new.added:
        scanner.stretch(old_fleet.load.stretch)
        scanner.start()
    await _ended(parts, running.sinks)
    await ended(running.live)
    begin_outward(group, parts, running)
    old_web.close()
    log.info("configuration_changed", previous=previous, configuration=configuration, changed=list(changed))
    parts.manager.send("READY=1", f"STATUS=watching {len(site.units)} units")
    return ReloadReport(previous, configuration, changed)


async def _aside(work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
    """Do what takes seconds on a thread that leaves the event loop its turn at once, not after 5 ms each."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH)
    try:
        return await asyncio.to_thread(work, *args, **named)
    finally:
        sys.setswitchinterval(usual)


def _prepare(old: Parts, running: Running, folder: Path, loaded: LoadedSite) -> _Prepared:
    """Build, on a thread, what an exchange needs; what is in force is looked at and not touched."""
    site = loaded.site
    before = {unit.name: unit for unit in old.site.units}
    same_field = _reads_the_same(old.site, site)
    board = old.board if same_field else Board(site, old.clock)
    scanners: list[UnitScanner] = []
    monitors: dict[str, UnitMonitor] = {}
    added: list[UnitScanner] = []
    for unit in site.units:
        if unit.name in before:
            scanners.append(old.fleet.scanners[unit.name])
            if not _evaluates_the_same(old.site, before[unit.name], site, unit):
                monitors[unit.name] = monitor_of(site, unit)
        else:
            added.append(scanner_of(site, unit, monitor_of(site, unit), board, old.writer, old.clock))
            scanners.append(added[-1])
    fleet = Fleet(scanners)
    sources = (
        old.sources if same_field else build_sources(site, folder, board, old.clock, old.keeper.past_reading)
    )
    new = joined(site, folder, old.keeper, old.writer, old.clock, old.own, board, fleet, sources)
    new.tasks, new.reloads, new.storage = old.tasks, old.reloads, old.storage
    web = web_of(new, folder)
    applications = [build(web) for build in running.doors.values()]
    texts = kept_texts(site, loaded.texts, folder)
    return _Prepared(new, web, applications, monitors, added, same_field, texts, values_hash(site))


def _reads_the_same(old: Site, new: Site) -> bool:
    """Whether two configurations read the same signals in the same way."""

    def read(site: Site) -> dict[str, object]:
        return {unit.name: unit.signals for unit in site.units}

    return (old.site, old.controllers, read(old)) == (new.site, new.controllers, read(new))


def _evaluates_the_same(old: Site, before: DehydrationUnit, new: Site, unit: DehydrationUnit) -> bool:
    """Whether a unit's monitor would be the same under both."""

    def controllers(site: Site) -> list[object]:
        used = {signal.controller for signal in unit.signals.values()}
        return [one for one in site.controllers if one.name in used]

    return (old.site, before, controllers(old)) == (new.site, unit, controllers(new)) and resolve_alarms(
        old, before
    ) == resolve_alarms(new, unit)


async def _exchange(
    parts: Parts, new: _Prepared, old_site: Site, old_board: Board, departure: Departure
) -> None:
    """Let every unit go on where it stood, with the readings of signals that mean the same as before."""
    before = {unit.name: unit for unit in old_site.units}
    controllers = {one.name: one for one in old_site.controllers}
    same = {one.name for one in parts.site.controllers if controllers.get(one.name) == one}
    if not new.same_field:
        for name in same:
            parts.board.set_link(name, old_board.link(name))
    for unit in parts.site.units:
        if unit.name not in before:
            continue
        scanner = parts.fleet.scanners[unit.name]
        monitor = new.monitors.get(unit.name)
        if monitor is None:
            if new.same_field:
                continue
            monitor = scanner.monitor
        else:
            restore(monitor, scanner.monitor.save(), departure)
        if not new.same_field:
            for name, spec in unit.signals.items():
                if spec.controller in same and before[unit.name].signals.get(name) == spec:
                    parts.board.put(unit.name, name, old_board.reading(unit.name, name))
        pacer = pacer_for(parts.site, unit, parts.clock.monotonic())
        scanner.exchange(unit, monitor, parts.board, pacer)
        await asyncio.sleep(0)


async def _ended(parts: Parts, tasks: Sequence[asyncio.Task[None]]) -> None:
    """End tasks that another configuration has no use for, and stop counting their restarts."""
    await ended(tasks)
    for task in tasks:
        parts.tasks.pop(task.get_name(), None)
