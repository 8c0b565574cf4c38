"""How the daemon is doing, from the numbers its parts keep."""

from __future__ import annotations

from config.loader import configuration_hash
from daemon.build_info import commit
from daemon.journal.storage import StorageFigures
from daemon.model import LinkState
from daemon.sources.ticks import Distribution
from daemon.times import rfc3339
from daemon.web.parts import Daemon
from daemon.web.schemas import HealthView, ReadinessView, StorageView
from daemon.web.views import link_view

TARDY = 10
"""Scan periods without a scan after which a unit counts as not watched."""


def readiness_view(daemon: Daemon) -> ReadinessView:
    """Say whether every unit is being watched and what it decides is kept."""
    now = daemon.clock.monotonic()
    reasons = []
    for scanner in daemon.fleet.scanners.values():
        unit, latest = scanner.unit, scanner.latest
        if scanner.figures.failing:
            reasons.append(f"{unit.name} cannot be evaluated: {scanner.figures.failing}")
        elif latest is None:
            reasons.append(f"{unit.name} has not been scanned yet")
        elif now - latest.monotonic > max(5.0, TARDY * scanner.period):
            reasons.append(f"{unit.name} was last scanned {now - latest.monotonic:.0f} s ago")
    if daemon.writer.figures.failing:
        reasons.append(f"journal: {daemon.writer.figures.failing}")
    return ReadinessView(status="not ready" if reasons else "ready", reasons=reasons)


def health_view(daemon: Daemon) -> HealthView:
    """Gather the figures, and say in words what is not well."""
    now = daemon.clock.monotonic()
    links = [link_view(name, daemon.board.link(name), now) for name in daemon.board.controllers()]
    scanners = list(daemon.fleet.scanners.values())
    sinks = [sink.health for sink in daemon.sinks]
    written = daemon.writer.figures
    reasons = [f"controller {link.controller}: {link.reason}" for link in links if link.state != LinkState.UP]
    reasons += [f"sink {one.name}: {one.last_error}" for one in sinks if one.failing_since is not None]
    reasons += [
        f"{name} was restarted: {one.last_failure}"
        for name, one in daemon.tasks.items()
        if not one.settled(now)
    ]
    reasons += [f"{one.unit.name}: {one.figures.failing}" for one in scanners if one.figures.failing]
    if written.failing:
        reasons.append(f"journal: {written.failing}")
    if daemon.storage.failing:
        reasons.append(f"archive: {daemon.storage.failing}")
    load = daemon.fleet.load
    if load.overload:
        reasons.append(f"overload: {load.overload}")
    figures = [scanner.figures for scanner in scanners]
    return HealthView(
        site=daemon.site.site.name,
        status="degraded" if reasons else "ok",
        reasons=reasons,
        time=rfc3339(daemon.clock.wall()),
        version=daemon.version,
        commit=commit(),
        configuration=configuration_hash(daemon.site),
        clock_synchronised=None if daemon.own is None else daemon.own.clock_synchronised,
        scans_taken=sum(one.taken for one in figures),
        scans_failed=sum(one.failed for one in figures),
        scans_refused=sum(one.refused for one in figures),
        scans_missed=sum(scanner.missed for scanner in scanners),
        worst_lateness=round(max((one.worst_lateness for one in figures), default=0.0), 4),
        lateness_p99=round(Distribution.merged(one.lateness for one in figures).quantile(0.99), 4),
        timer_lag=round(load.lag, 4),
        scan_stretch=load.stretch,
        links=links,
        journal={
            "commits": written.commits,
            "failed_commits": written.failed_commits,
            "outcomes": written.outcomes,
            "dropped_samples": written.dropped_samples,
            "dropped_records": written.dropped_records,
        },
        storage=_storage_view(daemon.storage),
        sinks={
            one.name: {
                "delivered": one.delivered,
                "attempts_failed": one.attempts_failed,
                "behind": one.behind,
                "last_error": one.last_error,
            }
            for one in sinks
        },
    )


def _storage_view(storage: StorageFigures) -> StorageView:
    disk = storage.disk
    return StorageView(
        archive_failing=storage.failing,
        archived_scans=storage.archived_scans,
        deleted_unarchived=storage.deleted_unarchived,
        bytes=None
        if disk is None
        else {"journal": disk.journal, "scans": disk.scans, "minutes": disk.minutes, "hours": disk.hours},
    )
