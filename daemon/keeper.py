"""Puts into the journal what does not come from a scan: what the daemon did, noticed, or learned late."""

from __future__ import annotations

from daemon.clock import Clock
from daemon.journal.writer import JournalWriter
from daemon.model import Event, OperatingState, Outcome, Reading
from daemon.sinks.runner import SinkHealth


class Keeper:
    """Puts into the journal what does not come from a scan.

    Parameters
    ----------
    writer : JournalWriter
        Keeps it.
    clock : Clock
        Its times.
    configuration : str
        Hash of the configuration in force, which goes with every event.
    """

    def __init__(self, writer: JournalWriter, clock: Clock, configuration: str) -> None:
        self._writer = writer
        self._clock = clock
        self.configuration = configuration

    def event(self, kind: str, message: str, **data: str | float | bool | None) -> None:
        """Keep something that the daemon did or noticed."""
        now = self._clock.wall()
        event = Event("", kind, now, message, {"configuration": self.configuration, **data})
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
