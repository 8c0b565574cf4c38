"""Reading everything of a site once, for commissioning: Modbus controllers are asked, brokers listened to."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from config.controllers import MqttBroker
from config.loader import unit_context
from config.site import Site
from daemon.clock import Clock
from daemon.model import Link, Quality, Reading, Status
from daemon.sources.board import Board
from daemon.sources.modbus_probe import ProbeReport, probe_modbus
from daemon.sources.mqtt_source import mqtt_source
from daemon.wiring import absolute


@dataclass(frozen=True, slots=True)
class BrokerReport:
    """One broker as found: its link, and what came of each of its signals by unit and name."""

    broker: str
    link: Link
    readings: Mapping[tuple[str, str], Reading]

    @property
    def all_good(self) -> bool:
        """Whether every signal came and is good."""
        return all(reading.quality is Quality.GOOD for reading in self.readings.values())


@dataclass(frozen=True, slots=True)
class SiteReport:
    """Everything that a site's controllers and brokers said."""

    modbus: tuple[ProbeReport, ...]
    brokers: tuple[BrokerReport, ...]

    @property
    def all_good(self) -> bool:
        """Whether every signal of the site could be read and is good."""
        asked = (one.reading for report in self.modbus for one in report.signals)
        return all(one is not None and one.quality is Quality.GOOD for one in asked) and all(
            report.all_good for report in self.brokers
        )


async def probe_site(site: Site, folder: Path, clock: Clock, patience: float) -> SiteReport:
    """Read every Modbus signal once, and listen to each broker for ``patience`` seconds at most.

    Brokers are joined under a client identifier of our own and without a kept session, so that a running
    daemon keeps its connection and loses no message.
    """
    brokers = [controller for controller in site.controllers if isinstance(controller, MqttBroker)]
    async with asyncio.TaskGroup() as group:
        listening = [
            group.create_task(_listen(site, absolute(broker, folder), clock, patience)) for broker in brokers
        ]
        modbus = await probe_modbus(site, clock)
    return SiteReport(tuple(modbus), tuple(task.result() for task in listening))


async def _listen(site: Site, broker: MqttBroker, clock: Clock, patience: float) -> BrokerReport:
    guest = broker.model_copy(
        update={"client_id": f"tegwatch-check-{os.getpid()}", "persistent_session": False}
    )
    board = Board(site, clock)
    wanted = [
        (unit.name, name)
        for unit in site.units
        for name, signal in unit.signals.items()
        if signal.controller == broker.name
    ]
    complete = asyncio.Event()

    def look() -> None:
        waiting = Status.BAD_WAITING_FOR_INITIAL_DATA
        if all(board.reading(*key).status is not waiting for key in wanted):
            complete.set()

    board.on_cycle(broker.name, look)
    source = mqtt_source(site, guest, unit_context(site), board, clock, lambda *_: None)
    running = asyncio.create_task(source.run(), name=f"listening to {broker.name}")
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(complete.wait(), patience)
    link = board.link(broker.name)
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running
    return BrokerReport(broker.name, link, {key: board.reading(*key) for key in wanted})
