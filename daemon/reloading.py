"""A reload: what a site file describes is built anew beside the old, and exchanged between two scans.

Journal, listeners, connections and log-ins go on; alarms keep state, shelvings and delays. Until the moment
of exchange nothing is touched, so a refusal changes nothing.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path

import structlog

from config.errors import ConfigError
from config.hashes import values_hash
from config.loader import LoadedSite, configuration_hash
from daemon.parts import (
    VERSION,
    Parts,
    Running,
    begin_outward,
    begin_sources,
    build_parts,
    ended,
    kept_texts,
    restore,
    web_of,
)
from daemon.reload import ReloadRefused, ReloadReport, ReloadRequest, Reloads, differences, needs_restart

log = structlog.get_logger(__name__)


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


async def _reload(
    group: asyncio.TaskGroup,
    parts: Parts,
    running: Running,
    folder: Path,
    load: Callable[[], LoadedSite],
    request: ReloadRequest,
) -> ReloadReport:
    """Build what the new site file describes beside the old, then exchange them between two scans."""
    try:
        loaded = await asyncio.to_thread(load)
    except ConfigError as error:
        raise ReloadRefused(str(error)) from None
    site = loaded.site
    previous, configuration = parts.keeper.configuration, configuration_hash(site)
    changed = differences(parts.site, site)
    if not changed:
        return ReloadReport(previous, configuration, ())
    if fixed := needs_restart(parts.site, site):
        raise ReloadRefused(f"only a restart can change {', '.join(fixed)}")
    try:
        new = build_parts(site, folder, parts.keeper, parts.writer, parts.clock, {}, parts.own)
        new.tasks, new.reloads = parts.tasks, parts.reloads
        web = web_of(new, folder)
        # Building routes takes a fifth of a second: on a thread, so that scans go on meanwhile.
        applications = await asyncio.to_thread(lambda: [build(web) for build in running.doors.values()])
    except Exception as error:
        log.exception("reload_failed")
        raise ReloadRefused(f"the parts cannot be built: {type(error).__name__}: {error}") from error

    texts = await asyncio.to_thread(kept_texts, site, loaded.texts, folder)

    parts.manager.send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
    parts.fleet.stop()
    await ended(running.sources)
    _carry_over(parts, new)
    for entry, application in zip(running.doors, applications, strict=True):
        entry.application = application
    for task in (*running.sources, *running.sinks):
        parts.tasks.pop(task.get_name(), None)
    old_tasks, old_web = (*running.sinks, *running.live), running.web
    parts.site, parts.board, parts.fleet = site, new.board, new.fleet
    parts.sources, parts.sinks, running.web = new.sources, new.sinks, web
    parts.own.reconfigure(site)
    parts.keeper.configuration = configuration
    parts.keeper.event(
        "configuration changed",
        f"configuration {configuration} is in force: {', '.join(changed)}",
        previous=previous,
        values=values_hash(site),
        version=VERSION,
        texts=texts,
        actor=request.actor,
        reason=request.reason,
    )
    begin_sources(group, parts, running)
    parts.fleet.start()
    await ended(old_tasks)
    begin_outward(group, parts, running)
    old_web.close()
    log.info("configuration_changed", previous=previous, configuration=configuration, changed=list(changed))
    parts.manager.send("READY=1", f"STATUS=watching {len(site.units)} units")
    return ReloadReport(previous, configuration, changed)


def _carry_over(old: Parts, new: Parts) -> None:
    """Let every unit go on where it stood, with the readings of signals that mean the same as before."""
    before = {unit.name: unit for unit in old.site.units}
    controllers = {one.name: one for one in old.site.controllers}
    same = {one.name for one in new.site.controllers if controllers.get(one.name) == one}
    for name in same:
        new.board.set_link(name, old.board.link(name))
    for scanner in new.fleet.scanners.values():
        unit = scanner.unit
        if unit.name not in before:
            continue
        previous = old.fleet.scanners[unit.name]
        restore(scanner, previous.monitor.save())
        scanner.take_over(previous)
        for name, spec in unit.signals.items():
            if spec.controller in same and before[unit.name].signals.get(name) == spec:
                new.board.put(unit.name, name, old.board.reading(unit.name, name))
