"""Alarms and values on an MQTT broker, below the daemon's own prefix and nowhere else.

``<prefix>/<site>/<unit>/alarm/<alarm>`` retained: the alarm's present state.
``<prefix>/<site>/event`` not retained: every transition and event, in order.
``<prefix>/<site>/<unit>/values`` not retained, where asked for: every scan.
``<prefix>/<site>/heartbeat`` not retained, every ten seconds: three missing ones mean that nobody watches.
``<prefix>/<site>/status`` retained: ``online``, or ``offline`` by the broker's hand when it loses us.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Protocol, Self

from config.mqtt_consistency import client_id
from config.sinks import MqttSink as MqttSettings
from daemon.clock import Clock
from daemon.model import AlarmTransition, Entry, EntryKind, ScanRecord
from daemon.mqtt_link import LinkError, Publication, Publisher
from daemon.sinks.base import DeliveryFailed, Selection, Sink, selection_of
from daemon.sinks.documents import Wording, to_json
from daemon.times import rfc3339

HEARTBEAT = 10.0
"""Time between two heartbeats [s]."""


class Connection(Protocol):
    """One connection to the broker as the sink sees it."""

    @property
    def lost(self) -> bool:
        """Whether it has ended."""
        ...

    async def publish(self, publications: Sequence[Publication]) -> None:
        """Publish in order and return when all are acknowledged."""
        ...

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class Topics:
    """The topics of one site below its prefix."""

    def __init__(self, prefix: str, site: str) -> None:
        self.root = f"{prefix}/{site}"
        self.status = f"{self.root}/status"
        self.event = f"{self.root}/event"
        self.heartbeat = f"{self.root}/heartbeat"

    def alarm(self, unit: str, alarm: str) -> str:
        """Topic of one alarm's present state."""
        return f"{self.root}/{_level(unit) or 'site'}/alarm/{_level(alarm)}"

    def values(self, unit: str) -> str:
        """Topic of one unit's values."""
        return f"{self.root}/{_level(unit)}/values"


class MqttSink(Sink):
    """Publishes journal entries; a new connection for each loss of the old one.

    Parameters
    ----------
    settings : config.sinks.MqttSink
        Broker, prefix, filter.
    wording : Wording
        How the site writes its documents.
    clock : Clock
        Time in heartbeats.
    connect : Callable or None
        Makes one connection that leaves the given will; tests put their own here.
    """

    beat_period = HEARTBEAT

    def __init__(
        self,
        settings: MqttSettings,
        wording: Wording,
        clock: Clock,
        connect: Callable[[Publication], Connection] | None = None,
    ) -> None:
        self._settings = settings
        self._wording = wording
        self._clock = clock
        self._topics = Topics(settings.prefix, wording.site)
        identity = client_id(wording.site, settings)
        self._connect = connect or (lambda will: Publisher(settings, identity, settings.prefix, will))
        self._connection: Connection | None = None
        self._connecting = asyncio.Lock()
        self._present: dict[str, bytes] = {}
        self._beats = 0
        self._last_sequence = 0

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Alarms of the configured priority, events, and scans where values are wanted."""
        return selection_of(self._settings, *(EntryKind if self._settings.values else ()))

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Publish entries in order at quality of service 1."""
        publications = [publication for entry in entries for publication in self._publications(entry)]
        await self._publish(publications)
        self._last_sequence = max(self._last_sequence, entries[-1].sequence)
        self._present.update((sent.topic, sent.payload) for sent in publications if sent.retain)

    async def beat(self) -> None:
        """Publish that the daemon is alive and how far it has come."""
        self._beats += 1
        now = self._clock.wall()
        beat = {
            "id": f"{self._wording.site}-heartbeat-{round(now * 1000)}",
            "sequence": self._beats,
            "time": rfc3339(now),
            "site": self._wording.site,
            "journal_sequence": self._last_sequence,
        }
        await self._publish([Publication(self._topics.heartbeat, to_json(beat))])

    async def close(self) -> None:
        """Say ``offline`` ourselves: the broker publishes the will only when it loses us."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(LinkError):  # the will says it for us
                if not connection.lost:
                    await connection.publish([self._status("offline")])
            await connection.__aexit__(None, None, None)

    async def _publish(self, publications: Sequence[Publication]) -> None:
        connection: Connection | None = None
        try:
            connection = await self._connected()
            await connection.publish(publications)
        except LinkError as error:
            if connection is not None:
                await self._drop(connection)
            raise DeliveryFailed(str(error)) from error

    async def _connected(self) -> Connection:
        async with self._connecting:
            if self._connection is not None and self._connection.lost:
                await self._drop(self._connection)
            if self._connection is None:
                connection = self._connect(self._status("offline"))
                await connection.__aenter__()
                self._connection = connection
                # A broker that was started anew may have forgotten what it retained.
                kept = [Publication(topic, payload, retain=True) for topic, payload in self._present.items()]
                try:
                    await connection.publish([self._status("online"), *kept])
                except LinkError:
                    await self._drop(connection)
                    raise
            return self._connection

    async def _drop(self, connection: Connection) -> None:
        if self._connection is connection:
            self._connection = None
            await connection.__aexit__(None, None, None)

    def _status(self, status: str) -> Publication:
        return Publication(self._topics.status, status.encode(), retain=True)

    def _publications(self, entry: Entry) -> list[Publication]:
        payload = to_json(self._wording.document(entry))
        if isinstance(entry.body, ScanRecord):
            return [Publication(self._topics.values(entry.unit), payload)]
        streamed = Publication(self._topics.event, payload)
        if isinstance(entry.body, AlarmTransition):
            topic = self._topics.alarm(entry.unit, entry.body.alarm)
            return [Publication(topic, payload, retain=True), streamed]
        return [streamed]


def _level(name: str) -> str:
    """Write a name as one topic level."""
    return "".join("_" if character in "/+#\0$ " else character for character in name)
