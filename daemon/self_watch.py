"""Watches the daemon itself: once a second the figures that its parts keep go through its own alarms.

The alarms appear, are acknowledged and are sent like those of a unit, under the reserved name ``daemon``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import structlog

from config.daemon_alarms import resolve_daemon_alarms
from config.loader import unit_context
from config.site import Site
from config.units import display_units
from daemon.acquisition import Fleet
from daemon.box import clock_synchronised, free_share
from daemon.clock import Clock
from daemon.journal.writer import JournalWriter
from daemon.model import AlarmState, AlarmTransition, OperatorAction, Outcome
from daemon.monitor.alarms import AlarmSnapshot
from daemon.monitor.alarms.engine import NOT_CONFIGURED, Departure
from daemon.monitor.daemon_monitor import DaemonFigures, DaemonMonitor
from daemon.monitor.unit_monitor import SavedStateError
from daemon.sinks.runner import SinkRunner
from daemon.supervisor import TaskFigures

log = structlog.get_logger(__name__)

PERIOD = 1.0
"""Time between two looks [s]."""
BOX_PERIOD = 30.0
"""Time between two questions to the box about disk and clock [s]."""
SILENT = (5.0, 10)
"""A unit without a scan for the longer of this time [s] and so many scan periods is not watched."""


class AlarmHolder(Protocol):
    """Whose alarms can be shown and acted on: a unit's scanner or the daemon's watch over itself."""

    @property
    def monitor(self) -> HoldsAlarms:
        """Where the alarms are."""
        ...

    async def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Apply an operator's action and return once it is kept durably."""
        ...


class HoldsAlarms(Protocol):
    """Tells how its alarms stand."""

    def alarms(self) -> tuple[AlarmSnapshot, ...]:
        """Return every alarm as it stands."""
        ...


@dataclass(frozen=True, slots=True)
class Watched:
    """The parts that are looked at; a reload exchanges some of them."""

    fleet: Fleet
    sinks: Sequence[SinkRunner]
    writer: JournalWriter
    tasks: Mapping[str, TaskFigures]
    archive: str = ""
    """Why the archive cannot be written; empty while it can."""


class SelfWatch:
    """The daemon's own alarms while it runs.

    Parameters
    ----------
    site : Site
        The configuration.
    writer : JournalWriter
        Keeps what changes.
    clock : Clock
        Wall and monotonic time.
    journal : pathlib.Path
        The journal's file, whose disk is looked at.
    """

    def __init__(self, site: Site, writer: JournalWriter, clock: Clock, journal: Path) -> None:
        self._writer = writer
        self._clock = clock
        self._journal = journal
        self._disk: float | None = None
        self._synchronised: bool | None = None
        self._started = clock.monotonic()
        self.monitor = _monitor(site)

    def restore(self, saved: str | None, departure: Departure = NOT_CONFIGURED) -> None:
        """Go on from a kept state; one that cannot be read is told, and the alarms begin anew."""
        if saved is None:
            return
        try:
            self.monitor.restore(saved, departure)
        except SavedStateError as error:
            log.error("checkpoint_refused", unit="daemon", reason=str(error))  # noqa: TRY400 - the reason says it all

    def reconfigure(self, site: Site, departure: Departure = NOT_CONFIGURED) -> None:
        """Take another configuration; alarms that both have go on where they stood, the others end."""
        saved = self.monitor.save()
        self.monitor = _monitor(site)
        self.restore(saved, departure)

    def alarm_state(self, alarm: str) -> AlarmState | None:
        """Return an alarm's present state; ``None`` if there is no such alarm."""
        return next((one.state for one in self.monitor.alarms() if one.alarm.id == alarm), None)

    @property
    def clock_synchronised(self) -> bool | None:
        """Whether the box's clock follows a time server; ``None`` where the box does not tell."""
        return self._synchronised

    async def run(self, watched: Callable[[], Watched]) -> None:
        """Look at the parts in force once a second until cancelled."""
        asked = -BOX_PERIOD
        while True:
            now = self._clock.monotonic()
            if now - asked >= BOX_PERIOD:
                asked = now
                self._disk = await asyncio.to_thread(free_share, self._journal.parent)
                self._synchronised = clock_synchronised()
            self.look(watched())
            await asyncio.sleep(PERIOD)

    def look(self, parts: Watched) -> Outcome:
        """Take one look, and keep what changed."""
        outcome = self.monitor.step(self.figures(parts), self._clock.wall(), self._clock.monotonic())
        if (outcome.alarms or outcome.checkpoint is not None) and not self._writer.full:
            self._writer.put_nowait(outcome)
        return outcome

    def figures(self, parts: Watched) -> DaemonFigures:
        """Gather what the parts say of themselves."""
        now = self._clock.monotonic()
        scanners = parts.fleet.scanners.values()
        written = parts.writer.figures
        units = {}
        for scanner in scanners:
            last = self._started if scanner.latest is None else scanner.latest.monotonic
            silent = now - max(last, self._started)
            units[scanner.unit.name] = scanner.figures.failing
            if not scanner.figures.failing and silent > max(SILENT[0], SILENT[1] * scanner.unit.scan_period):
                units[scanner.unit.name] = f"no scan for {silent:.0f} s"
        return DaemonFigures(
            units=units,
            sinks={
                one.name: one.health.last_error if one.health.failing_since is not None else ""
                for one in parts.sinks
            },
            load=parts.fleet.load.overload,
            scan_lateness=max((one.figures.last_lateness for one in scanners), default=0.0),
            journal=written.failing,
            archive=parts.archive,
            dropped=written.dropped_samples + written.dropped_records,
            restarts={name: (one.restarts, one.last_failure) for name, one in parts.tasks.items()},
            disk_free=self._disk,
            clock_synchronised=self._synchronised,
        )

    async def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Apply an operator's action and return once it is kept durably.

        Raises
        ------
        daemon.monitor.alarms.ActionRefusedError
            It cannot be done; the reason says why. Nothing has changed.
        """
        transitions = self.monitor.apply(action)
        if transitions:
            await self._writer.committed(self.monitor.noted(action, transitions))
        return transitions


def _monitor(site: Site) -> DaemonMonitor:
    display = display_units(site.site.unit_system, unit_context(site))
    return DaemonMonitor(resolve_daemon_alarms(site).alarms, display)
