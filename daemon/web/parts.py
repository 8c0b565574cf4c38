"""What the API is built on. Nothing in it leads to a source: no route can reach a controller."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from config.daemon_alarms import DAEMON
from config.site import Site
from daemon.acquisition import Fleet
from daemon.clock import Clock
from daemon.journal.storage import StorageFigures
from daemon.journal.writer import JournalWriter
from daemon.reload import ReloadReport
from daemon.self_watch import AlarmHolder, SelfWatch
from daemon.sinks.runner import SinkRunner
from daemon.sources.board import Board
from daemon.supervisor import TaskFigures
from daemon.web.access.principal import Audit


@dataclass(frozen=True, slots=True)
class Daemon:
    """The parts of a running daemon that the API shows, and the alarms that it may act on."""

    site: Site
    version: str
    journal: Path
    """The journal's file, for questions about the past."""
    clock: Clock
    fleet: Fleet
    board: Board
    writer: JournalWriter
    sinks: Sequence[SinkRunner]
    tasks: Mapping[str, TaskFigures]
    audit: Audit
    """Keeps a security event or an operator's action in the journal."""
    reload: Callable[[str, str], Awaitable[ReloadReport]] | None = None
    """Reads the site file again for an actor with a reason; raises ``ReloadRefused``."""
    own: SelfWatch | None = None
    """The daemon's own alarms."""
    storage: StorageFigures = field(default_factory=StorageFigures)
    """How the history stands on its disk."""

    def alarm_holders(self) -> dict[str, AlarmHolder]:
        """Return whose alarms there are, by the name under which they stand: the units, then the daemon."""
        holders: dict[str, AlarmHolder] = dict(self.fleet.scanners)
        if self.own is not None:
            holders[DAEMON] = self.own
        return holders
