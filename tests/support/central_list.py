"""A control room's own list of all boxes' alarms, from the broker alone. Shares no code with the daemon.

It knows the documented topics and fields and nothing else: retained ``PREFIX/SITE/UNIT/alarm/ALARM``,
``PREFIX/SITE/event``, ``PREFIX/SITE/heartbeat`` and ``PREFIX/SITE/status``. A message that comes again is
dropped by its ``id``; what is newer is told by ``sequence``, never by a box's clock; how far that clock is
off is told by its heartbeats.
"""

from __future__ import annotations

import asyncio
import datetime
import json
import time
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

Key = tuple[str, str, str]
CLOCK_LIMIT = 5.0
"""A box whose heartbeats tell a time so far from that of their arrival has a clock that is off [s]."""


@dataclass
class CentralList:
    """What is known of every box."""

    alarms: dict[Key, dict[str, Any]] = field(default_factory=dict)
    """Newest state of each alarm by site, unit and alarm."""
    status: dict[str, str] = field(default_factory=dict)
    arrivals: dict[Key, list[tuple[float, str]]] = field(default_factory=lambda: defaultdict(list))
    """When each step of an alarm came [monotonic s], and the state it led to."""
    offsets: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    """How far each box's clock seemed to be ahead at its heartbeats [s]."""
    messages: int = 0
    repeats: int = 0
    disorder: int = 0
    """Events of a box that came after a later one and had not come before."""
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    ready: asyncio.Event = field(default_factory=asyncio.Event)
    _seen: set[str] = field(default_factory=set)
    _last: dict[str, int] = field(default_factory=dict)

    async def follow(self, port: int, prefix: str = "tegwatch") -> None:
        """Follow all boxes until cancelled."""
        async with aiomqtt.Client("127.0.0.1", port, max_queued_incoming_messages=100_000) as client:
            await client.subscribe(f"{prefix}/#", qos=1)
            self.ready.set()
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                self.take(str(message.topic).split("/"), message.payload, retained=message.retain)

    def take(self, levels: list[str], payload: bytes, *, retained: bool = False) -> None:
        """Take one message."""
        self.messages += 1
        site = levels[1]
        match levels[2:]:
            case ["status"]:
                self.status[site] = payload.decode()
            case ["heartbeat"]:
                told = datetime.datetime.fromisoformat(json.loads(payload)["time"]).timestamp()
                self.offsets[site].append(told - time.time())
            case ["event"]:
                self._event(site, json.loads(payload))
            case [unit, "alarm", _]:
                document = json.loads(payload)
                key = (site, unit, str(document["alarm"]))
                if key not in self.alarms or document["sequence"] >= self.alarms[key]["sequence"]:
                    self.alarms[key] = document
                if not retained:
                    self.arrivals[key].append((time.monotonic(), str(document["state"])))
        self.changed.set()

    def _event(self, site: str, document: dict[str, Any]) -> None:
        if document["id"] in self._seen:
            self.repeats += 1
            return
        self._seen.add(document["id"])
        if document["sequence"] < self._last.get(site, 0):
            self.disorder += 1
        self._last[site] = max(document["sequence"], self._last.get(site, 0))

    def standing(self) -> dict[Key, str]:
        """Return the state of every alarm that is not normal."""
        return {key: str(one["state"]) for key, one in self.alarms.items() if one["state"] != "NORM"}

    def clocks_off(self) -> dict[str, float]:
        """Return the boxes whose clock is off, and how far it is ahead [s].

        Of several heartbeats the quickest tells best: on its way a message can only lose time.
        """
        found = {site: max(each) for site, each in self.offsets.items()}
        return {site: ahead for site, ahead in found.items() if abs(ahead) > CLOCK_LIMIT}
