"""The daemon's figures for a monitoring system, in the Prometheus text format.

Nothing is counted here: every scrape reads the numbers that the parts keep anyway. ``METRICS`` is the whole
list, with what each means; a test compares it with what a scrape gives.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Literal

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.registry import Collector

from config.loader import configuration_hash
from daemon.model import AlarmState, LinkState, Quality
from daemon.web.broadcast import Broadcaster
from daemon.web.parts import Daemon

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

_Kind = Literal["counter", "gauge"]
_UNIT, _CONTROLLER, _SINK = ("unit",), ("controller",), ("sink",)
METRICS: dict[str, tuple[_Kind, str, tuple[str, ...]]] = {
    "tegwatch_build_info": ("gauge", "Always 1; version, configuration hash.", ("version", "configuration")),
    "tegwatch_scans": ("counter", "Scans evaluated.", _UNIT),
    "tegwatch_scans_failed": ("counter", "Scans that could not be evaluated.", _UNIT),
    "tegwatch_scans_refused": ("counter", "Scans not taken because the journal was closed.", _UNIT),
    "tegwatch_scans_missed": ("counter", "Whole scan periods that passed unused.", _UNIT),
    "tegwatch_scan_lateness_seconds": ("gauge", "How late the newest scan began.", _UNIT),
    "tegwatch_scan_lateness_worst_seconds": ("gauge", "The latest of all since the start.", _UNIT),
    "tegwatch_scan_stretch": ("gauge", "Scan periods for each scan taken; more than 1 is overload.", ()),
    "tegwatch_timer_lag_seconds": ("gauge", "Median lateness of this box's timers.", ()),
    "tegwatch_scan_age_seconds": ("gauge", "Time since the newest scan; absent before the first.", _UNIT),
    "tegwatch_values": ("gauge", "Values of the newest scan by quality.", ("unit", "kind", "quality")),
    "tegwatch_operating_state": ("gauge", "1 for the state the unit is in.", ("unit", "state")),
    "tegwatch_alarms": ("gauge", "Alarms not normal, by ISA-18.2 state.", ("unit", "state", "priority")),
    "tegwatch_link_up": ("gauge", "1 while a controller or broker answers, else 0.", _CONTROLLER),
    "tegwatch_link_state": ("gauge", "1 for the state the link is in.", ("controller", "state")),
    "tegwatch_link_last_good_age_seconds": ("gauge", "Time since the last good answer.", _CONTROLLER),
    "tegwatch_sink_delivered": ("counter", "Entries delivered.", _SINK),
    "tegwatch_sink_attempts_failed": ("counter", "Deliveries that failed and come again.", _SINK),
    "tegwatch_sink_lag_entries": ("gauge", "Journal entries not yet looked at.", _SINK),
    "tegwatch_sink_failing": ("gauge", "1 while a sink cannot deliver.", _SINK),
    "tegwatch_journal_head": ("gauge", "Sequence of the newest entry.", ()),
    "tegwatch_journal_commits": ("counter", "Transactions stored.", ()),
    "tegwatch_journal_commits_failed": ("counter", "Transactions that the disk did not take.", ()),
    "tegwatch_journal_outcomes": ("counter", "Scans, actions and events stored.", ()),
    "tegwatch_journal_dropped": ("counter", "What was given up because the disk did not keep up.", ("kind",)),
    "tegwatch_journal_failing": ("gauge", "1 while the journal cannot be written.", ()),
    "tegwatch_storage_bytes": ("gauge", "Journal, and archive by what it holds.", ("part",)),
    "tegwatch_archive_failing": ("gauge", "1 while closed periods cannot be archived or files not read.", ()),
    "tegwatch_archived_scans": ("counter", "Scans moved to the archive.", ()),
    "tegwatch_scans_deleted_unarchived": ("counter", "Scans deleted before the archive had them.", ()),
    "tegwatch_task_restarts": ("counter", "How often a part had to be started again.", ("task",)),
    "tegwatch_event_loop_tasks": ("gauge", "Asynchronous tasks that there are.", ()),
    "tegwatch_clock_synchronised": (
        "gauge",
        "1 while the box's clock follows a time server, else 0; absent where the box does not tell.",
        (),
    ),
    "tegwatch_streams": ("gauge", "Clients that follow live values.", ()),
    "tegwatch_stream_dropped": ("counter", "Live pieces that slow clients have missed.", ()),
}  # fmt: skip
"""By name (counters get ``_total`` in the text): kind, meaning, labels."""

Sample = tuple[tuple[str, ...], float]


def exposition(daemon: Daemon, broadcaster: Broadcaster) -> bytes:
    """Return all figures as of now."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(daemon, broadcaster))
    return generate_latest(registry)


class _Figures(Collector):
    def __init__(self, daemon: Daemon, broadcaster: Broadcaster) -> None:
        self._daemon = daemon
        self._broadcaster = broadcaster

    def collect(self) -> Iterator[CounterMetricFamily | GaugeMetricFamily]:
        """Yield every metric of the list, also those without a sample."""
        found: dict[str, list[Sample]] = {name: [] for name in METRICS}
        for name, labels, value in self._samples():
            found[name].append((labels, value))
        for name, (kind, meaning, labels) in METRICS.items():
            family: CounterMetricFamily | GaugeMetricFamily = (
                CounterMetricFamily(name, meaning, labels=labels)
                if kind == "counter"
                else GaugeMetricFamily(name, meaning, labels=labels)
            )
            for values, value in found[name]:
                family.add_metric(values, value)
            yield family

    def _samples(self) -> Iterator[tuple[str, tuple[str, ...], float]]:
        daemon = self._daemon
        yield "tegwatch_build_info", (daemon.version, configuration_hash(daemon.site)), 1.0
        yield from self._scans()
        yield "tegwatch_scan_stretch", (), daemon.fleet.load.stretch
        yield "tegwatch_timer_lag_seconds", (), daemon.fleet.load.lag
        yield from self._links()
        for sink in (one.health for one in daemon.sinks):
            yield "tegwatch_sink_delivered", (sink.name,), sink.delivered
            yield "tegwatch_sink_attempts_failed", (sink.name,), sink.attempts_failed
            yield "tegwatch_sink_lag_entries", (sink.name,), sink.behind
            yield "tegwatch_sink_failing", (sink.name,), float(sink.failing_since is not None)
        written = daemon.writer.figures
        yield "tegwatch_journal_head", (), daemon.writer.head
        yield "tegwatch_journal_commits", (), written.commits
        yield "tegwatch_journal_commits_failed", (), written.failed_commits
        yield "tegwatch_journal_outcomes", (), written.outcomes
        yield "tegwatch_journal_dropped", ("scan",), written.dropped_samples
        yield "tegwatch_journal_dropped", ("record",), written.dropped_records
        yield "tegwatch_journal_failing", (), float(bool(written.failing))
        yield from self._storage()
        for name, task in daemon.tasks.items():
            yield "tegwatch_task_restarts", (name,), task.restarts
        yield "tegwatch_event_loop_tasks", (), len(asyncio.all_tasks())
        if daemon.own is not None and daemon.own.clock_synchronised is not None:
            yield "tegwatch_clock_synchronised", (), float(daemon.own.clock_synchronised)
        yield "tegwatch_streams", (), self._broadcaster.clients
        yield "tegwatch_stream_dropped", (), self._broadcaster.dropped

    def _storage(self) -> Iterator[tuple[str, tuple[str, ...], float]]:
        storage = self._daemon.storage
        if (disk := storage.disk) is not None:
            for part in ("journal", "scans", "minutes", "hours"):
                yield "tegwatch_storage_bytes", (part,), getattr(disk, part)
        yield "tegwatch_archive_failing", (), float(bool(storage.failing))
        yield "tegwatch_archived_scans", (), storage.archived_scans
        yield "tegwatch_scans_deleted_unarchived", (), storage.deleted_unarchived

    def _scans(self) -> Iterator[tuple[str, tuple[str, ...], float]]:
        now = self._daemon.clock.monotonic()
        for scanner in self._daemon.fleet.scanners.values():
            unit, figures, latest = scanner.unit.name, scanner.figures, scanner.latest
            yield "tegwatch_scans", (unit,), figures.taken
            yield "tegwatch_scans_failed", (unit,), figures.failed
            yield "tegwatch_scans_refused", (unit,), figures.refused
            yield "tegwatch_scans_missed", (unit,), scanner.missed
            yield "tegwatch_scan_lateness_seconds", (unit,), figures.last_lateness
            yield "tegwatch_scan_lateness_worst_seconds", (unit,), figures.worst_lateness
            alarms = Counter((one.state, one.alarm.priority) for one in scanner.monitor.alarms())
            for (state, priority), count in sorted(alarms.items()):
                if state is not AlarmState.NORMAL:
                    yield "tegwatch_alarms", (unit, state.value, priority), count
            if latest is None:
                continue
            yield "tegwatch_scan_age_seconds", (unit,), now - latest.monotonic
            yield "tegwatch_operating_state", (unit, latest.state.value), 1.0
            for kind, values in (("signal", latest.signals.values()), ("result", latest.results.values())):
                for quality, count in _by_quality(value.quality for value in values):
                    yield "tegwatch_values", (unit, kind, quality), count

    def _links(self) -> Iterator[tuple[str, tuple[str, ...], float]]:
        now = self._daemon.clock.monotonic()
        for name in self._daemon.board.controllers():
            link = self._daemon.board.link(name)
            yield "tegwatch_link_up", (name,), float(link.state is LinkState.UP)
            yield "tegwatch_link_state", (name, link.state.value), 1.0
            if link.last_good > float("-inf"):
                yield "tegwatch_link_last_good_age_seconds", (name,), now - link.last_good


def _by_quality(qualities: Iterable[Quality]) -> Iterator[tuple[str, int]]:
    counted = Counter(qualities)
    for quality in Quality:
        yield quality.name.lower(), counted[quality]
