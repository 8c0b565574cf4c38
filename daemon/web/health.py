"""How the daemon is doing, from the numbers its parts keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from config.loader import configuration_hash
from config.site import Site
from daemon.acquisition import Fleet
from daemon.clock import Clock
from daemon.journal.writer import JournalWriter
from daemon.model import LinkState
from daemon.sinks.runner import SinkHealth
from daemon.sources.board import Board
from daemon.supervisor import TaskFigures
from daemon.web.schemas import HealthView
from daemon.web.views import link_view, rfc3339


def health_view(
    *,
    site: Site,
    version: str,
    clock: Clock,
    fleet: Fleet,
    board: Board,
    writer: JournalWriter,
    sinks: Sequence[SinkHealth],
    tasks: Mapping[str, TaskFigures],
) -> HealthView:
    """Gather the figures, and say in words what is not well."""
    now = clock.monotonic()
    links = [link_view(name, board.link(name), now) for name in board.controllers()]
    scanners = list(fleet.scanners.values())
    failing = [one for one in sinks if one.failing_since is not None]
    reasons = [f"controller {link.controller}: {link.reason}" for link in links if link.state != LinkState.UP]
    reasons += [f"sink {one.name}: {one.last_error}" for one in failing]
    reasons += [f"{name} was restarted: {one.last_failure}" for name, one in tasks.items() if one.restarts]
    reasons += [f"{one.unit.name}: {one.figures.failing}" for one in scanners if one.figures.failing]
    if writer.figures.failing:
        reasons.append(f"journal: {writer.figures.failing}")
    figures = [scanner.figures for scanner in scanners]
    return HealthView(
        site=site.site.name,
        status="degraded" if reasons else "ok",
        reasons=reasons,
        time=rfc3339(clock.wall()),
        version=version,
        configuration=configuration_hash(site),
        scans_taken=sum(one.taken for one in figures),
        scans_failed=sum(one.failed for one in figures),
        scans_refused=sum(one.refused for one in figures),
        scans_missed=sum(scanner.missed for scanner in scanners),
        worst_lateness=round(max((one.worst_lateness for one in figures), default=0.0), 4),
        links=links,
        journal={
            "commits": writer.figures.commits,
            "failed_commits": writer.figures.failed_commits,
            "outcomes": writer.figures.outcomes,
            "dropped_samples": writer.figures.dropped_samples,
            "dropped_records": writer.figures.dropped_records,
        },
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
