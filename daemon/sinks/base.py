"""What every sink is, and what it needs of the journal.

A sink delivers journal entries somewhere else. It never sees an entry that the journal has not committed, it
gets them in order, and it may get one twice (the acknowledgement was lost): every message therefore
carries an id by which a receiver drops the repeat. How long to wait after a failure, what is kept and when
the cursor moves is the runner's business (``daemon.sinks.runner``), the same for every sink.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Protocol

from config.sinks import MqttSink, SinkBase
from daemon.model import NO_LONGER_CONFIGURED, AlarmTransition, Entry, EntryKind, Event, Priority

ROUTE_TEST = "route test"
"""Kind of the event that proves a sink's way to its receiver; every sink delivers it."""

_RANK = {priority: rank for rank, priority in enumerate(Priority)}


class DeliveryFailed(Exception):  # noqa: N818 - says what happened, as the runner reads it
    """A delivery that was not acknowledged.

    Parameters
    ----------
    reason : str
        What went wrong, in words for the control room.
    retryable : bool
        False when the receiver said that it will never take it (gone, refused): the runner then waits its
        longest pause between attempts. Nothing is ever given up.
    retry_after : float or None
        Shortest pause that the receiver asked for [s].
    delivered : int
        How many entries, from the front, were acknowledged all the same; they do not come again.
    """

    def __init__(
        self, reason: str, *, retryable: bool = True, retry_after: float | None = None, delivered: int = 0
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retryable = retryable
        self.retry_after = retry_after
        self.delivered = delivered


@dataclass(frozen=True, slots=True)
class Selection:
    """Which entries a sink sends on.

    ``kinds`` are asked of the journal; alarms must also have the minimum priority and, where classes or
    units are named, belong to one of them. A route test always passes, and so does the end of an alarm that
    is no longer configured: the same change of the site file may have taken its unit out of the filter, and
    whoever was told of it would keep it for ever. What was recorded before alarms had classes passes for any.
    """

    kinds: frozenset[EntryKind] = frozenset({EntryKind.ALARM, EntryKind.EVENT})
    minimum_priority: Priority = Priority.LOW
    units: frozenset[str] = frozenset()
    classes: frozenset[str] = frozenset()

    def takes(self, entry: Entry) -> bool:
        """Whether the sink sends this entry on."""
        body = entry.body
        if isinstance(body, Event) and body.kind == ROUTE_TEST:
            return True
        if isinstance(body, AlarmTransition):
            if body.event == NO_LONGER_CONFIGURED:
                return EntryKind.ALARM in self.kinds
            if _RANK[body.priority] < _RANK[self.minimum_priority]:
                return False
            if self.classes and body.alarm_class and body.alarm_class not in self.classes:
                return False
        if self.units and entry.unit not in self.units:
            return False
        return entry.kind in self.kinds


def selection_of(settings: SinkBase | MqttSink, *kinds: EntryKind) -> Selection:
    """Make the selection that a sink's settings ask for; of alarms and events where no kinds are named."""
    chosen = frozenset(kinds) or frozenset({EntryKind.ALARM, EntryKind.EVENT})
    return Selection(
        chosen, Priority(settings.minimum_priority), frozenset(settings.units), frozenset(settings.classes)
    )


class Sink(Protocol):
    """One way out of the daemon. An implementation inherits the defaults of ``beat`` and ``close``."""

    beat_period: float | None = None
    """Time between two heartbeats [s]; ``None`` for a sink without any."""

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor in the journal."""
        ...

    @property
    def selection(self) -> Selection:
        """Which entries it wants."""
        ...

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Send entries in order; return when all of them are acknowledged.

        Raises
        ------
        DeliveryFailed
            Not all were acknowledged; those that were not come again later.
        """
        ...

    async def beat(self) -> None:
        """Send one heartbeat.

        Raises
        ------
        DeliveryFailed
            It could not be sent.
        """
        return

    async def close(self) -> None:
        """Say good-bye to the receiver and let go of the connection; must not raise."""
        return


class EntryReader(Protocol):
    """What a sink's runner asks of the journal."""

    async def read(self, after: int, limit: int, kinds: Collection[EntryKind]) -> list[Entry]:
        """Return up to ``limit`` entries of these kinds with a sequence above ``after``, in order."""
        ...

    async def cursor(self, name: str) -> int:
        """Return where a sink stands; a sink that the journal does not know starts at the journal's head."""
        ...

    async def move_cursor(self, name: str, sequence: int) -> None:
        """Keep durably that everything up to and with ``sequence`` is delivered."""
        ...

    async def wait_newer(self, sequence: int) -> int:
        """Wait until the journal's highest sequence is above ``sequence`` and return it."""
        ...


def route_test(site: str, time: float) -> Entry:
    """Make the entry that proves a sink's way to its receiver; it is in no journal (sequence 0).

    Parameters
    ----------
    site : str
        Name of the site.
    time : float
        When it is sent [POSIX s].
    """
    text = f"Test message from tegwatch at {site}. No action is needed."
    return Entry(0, "", time, Event("", ROUTE_TEST, time, text))


def deliverable(selection: Selection, entries: Sequence[Entry]) -> list[Entry]:
    """Return the entries that a sink sends on, in order."""
    return [entry for entry in entries if selection.takes(entry)]
