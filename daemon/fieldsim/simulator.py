"""The field simulator as a whole: plants behind a site file, their controllers on the wire, a story acting.

It builds one plant for each unit of the site file that the daemon reads, serves every Modbus TCP controller
of it and publishes on every MQTT broker. With the daemon it shares that file and the wire, nothing else.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from config.controllers import ModbusTcp, MqttBroker
from config.quantities import SIGNAL_KINDS
from config.signals import ModbusSignal, MqttSignal, SignalBase
from config.site import DehydrationUnit, Site
from config.units import UnitContext
from daemon.fieldsim.design import PlantDesign, design_from_unit
from daemon.fieldsim.instruments import EXACT, Instrument, Panel, has_signal, instrument_for, observe
from daemon.fieldsim.modbus_server import ModbusServer
from daemon.fieldsim.mqtt_publisher import MqttPublisher, lay_points
from daemon.fieldsim.plant import advance, start
from daemon.fieldsim.registers import LayoutError, lay_out, signal_conversion
from daemon.fieldsim.scenarios import CALM, Disturbance, LinkFault, Story

TICK = 0.1
"""Wall time between two steps of the plants [s]."""
_MOST_BEHIND = 5.0

EventKind = Literal["listening", "not played", "link", "upset begins", "upset ends", "fell behind"]


@dataclass(frozen=True, slots=True)
class SimulationEvent:
    """Something that a person watching the simulator wants to know.

    ``subject`` is a unit for upsets and for signals that the plant does not have and nobody plays, and a
    controller for the rest; ``port`` is set for ``listening``.
    """

    kind: EventKind
    subject: str
    text: str
    elapsed: float
    port: int | None = None


@dataclass(frozen=True, slots=True)
class SimulationSettings:
    """How a site is simulated."""

    story: Story = CALM
    seed: int = 0
    time_factor: float | None = None
    """Speed of the process clock; ``None`` takes the story's. See ``daemon.fieldsim.plant``."""
    bind: str = "127.0.0.1"
    """Address on which the simulated controllers listen."""
    free_ports: bool = False
    """Take free ports instead of the site file's; the ``listening`` events tell which."""
    duration: float | None = None
    """Stop after this time [s]; ``None`` runs until cancelled."""
    first_stroke_count: int = 65_516
    """Where stroke counters start: a 16-bit one rolls over within the first minutes."""
    designs: Mapping[str, PlantDesign] = field(default_factory=dict)
    """Plants by unit name, where they shall not be sized from the site file."""


class FieldUnit:
    """One plant with its instruments. Moves only when stepped; seed and steps fix every value."""

    def __init__(
        self,
        unit: DehydrationUnit,
        number: int,
        design: PlantDesign,
        context: UnitContext,
        settings: SimulationSettings,
    ) -> None:
        self.name = unit.name
        self.number = number
        self.design = design
        self._story = settings.story
        self._factor = settings.time_factor or settings.story.time_factor
        self._rng = Random(f"{settings.seed}/{unit.name}")  # noqa: S311 - noise, not secrets
        self._count_offset = settings.first_stroke_count
        self._resets = 0
        self._instruments = {
            name: _instrument(name, signal, context)
            for name, signal in unit.signals.items()
            if has_signal(name)
        }
        self.state = start(design, self._rng)
        self.disturbance = Disturbance()
        self.panel = Panel()
        self._look(0.0)

    def step(self, dt: float, elapsed: float) -> Disturbance:
        """Carry the plant over ``dt`` seconds of wall time that end ``elapsed`` seconds after the start."""
        self.disturbance = self._story.at(elapsed, self.number)
        self.state = advance(self.design, self.state, dt, self.disturbance.inputs, self._rng, self._factor)
        if self.disturbance.counter_resets > self._resets:
            self._resets = self.disturbance.counter_resets
            self._count_offset = -self.state.stroke_count
        self._look(dt * self._factor)
        return self.disturbance

    def _look(self, dt: float) -> None:
        panel = observe(
            self._instruments, self.design, self.state, self.panel, dt, self.disturbance.faults, self._rng
        )
        count = panel.shown.get("stroke_count")
        if count is not None:
            panel = Panel({**panel.shown, "stroke_count": count + self._count_offset}, panel.lagged)
        self.panel = panel


def _instrument(name: str, signal: SignalBase, context: UnitContext) -> Instrument:
    if SIGNAL_KINDS[name].quantity.value in {"state", "count", "stroke count"}:
        return EXACT
    if signal.range is None:
        return instrument_for(name)
    conversion = signal_conversion(name, signal, context)
    low, high = (conversion.to_si(end) for end in signal.range)
    return instrument_for(name, (low, high))


class Simulator:
    """Everything that a simulated site consists of.

    Parameters
    ----------
    site : Site
        The site file.
    settings : SimulationSettings
        Story, seed, speed, addresses.
    report : callable
        Told of every ``SimulationEvent``.

    Raises
    ------
    LayoutError
        A controller or signal that cannot be simulated.
    """

    def __init__(
        self, site: Site, settings: SimulationSettings, report: Callable[[SimulationEvent], None]
    ) -> None:
        context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
        self._settings = settings
        self._report = report
        self.elapsed = 0.0
        self.units = []
        for number, unit in enumerate(site.units, start=1):
            design = settings.designs.get(unit.name) or design_from_unit(unit, site.site.barometric_pressure)
            self.units.append(FieldUnit(unit, number, design, context, settings))
        self.servers: dict[str, ModbusServer] = {}
        self.publishers: dict[str, MqttPublisher] = {}
        self._memories = {}
        self._ports: dict[str, int] = {}
        self._readers: dict[str, set[str]] = {}  # units behind each controller
        self._not_played = [
            (unit.name, name) for unit in site.units for name in unit.signals if not has_signal(name)
        ]
        for controller in site.controllers:
            signals = [
                (unit.name, name, signal)
                for unit in site.units
                for name, signal in unit.signals.items()
                if signal.controller == controller.name and has_signal(name)
            ]
            self._readers[controller.name] = {unit for unit, _, _ in signals}
            if isinstance(controller, ModbusTcp):
                modbus = [(u, n, s) for u, n, s in signals if isinstance(s, ModbusSignal)]
                self._memories[controller.name] = lay_out(controller, modbus, context)
                self.servers[controller.name] = ModbusServer(self._memories[controller.name])
                self._ports[controller.name] = 0 if settings.free_ports else controller.port
            elif isinstance(controller, MqttBroker):
                mqtt = [(u, n, s) for u, n, s in signals if isinstance(s, MqttSignal)]
                self.publishers[controller.name] = MqttPublisher(
                    controller, lay_points(mqtt, context), self._link_reporter(controller.name)
                )
            else:
                raise LayoutError(f"{controller.name}: {controller.protocol} is not simulated")
        self._show(time.time())

    def _link_reporter(self, controller: str) -> Callable[[str], None]:
        return lambda text: self._report(SimulationEvent("link", controller, text, self.elapsed))

    async def run(self) -> None:
        """Serve and step in real time until cancelled or the duration has passed."""
        for unit, name in self._not_played:
            text = f"{name}: the plant has none; no message, a register that reads 0 or is not there"
            self._report(SimulationEvent("not played", unit, text, self.elapsed))
        try:
            for name, server in self.servers.items():
                port = await server.start(self._settings.bind, self._ports[name])
                text = f"Modbus TCP on {self._settings.bind}:{port}"
                self._report(SimulationEvent("listening", name, text, self.elapsed, port))
            async with asyncio.TaskGroup() as tasks:
                publishing = [
                    tasks.create_task(publisher.run(), name=f"publish {name}")
                    for name, publisher in self.publishers.items()
                ]
                await self._step_in_real_time()
                for task in publishing:
                    task.cancel()
        finally:
            for server in self.servers.values():
                await server.stop()

    async def _step_in_real_time(self) -> None:
        """Step by whole ticks, so that a seed gives the same run on a slow machine, only later."""
        loop = asyncio.get_running_loop()
        due = loop.time()
        while self._settings.duration is None or self.elapsed < self._settings.duration:
            due += TICK
            behind = loop.time() - due
            if behind > _MOST_BEHIND:
                text = f"{behind:.1f} s of wall time were lost: this machine is too slow or was asleep"
                self._report(SimulationEvent("fell behind", "", text, self.elapsed))
                due += behind
            await asyncio.sleep(max(0.0, due - loop.time()))
            await self.step(TICK, time.time())

    async def step(self, dt: float, now: float) -> None:
        """Step every plant by ``dt`` seconds and put what the instruments show on the wire."""
        self.elapsed += dt
        for unit in self.units:
            before = unit.disturbance.active
            after = unit.step(dt, self.elapsed).active
            for name in sorted(after - before):
                self._report(SimulationEvent("upset begins", unit.name, name, self.elapsed))
            for name in sorted(before - after):
                self._report(SimulationEvent("upset ends", unit.name, name, self.elapsed))
        self._show(now)
        faults: dict[str, LinkFault] = {unit.name: unit.disturbance.link for unit in self.units}
        for controller, readers in self._readers.items():
            active = [faults[unit] for unit in sorted(readers) if faults[unit] != "none"]
            link = active[0] if active else "none"
            if controller in self.servers:
                await self.servers[controller].set_link(link)
            else:
                self.publishers[controller].set_link(link)

    def _show(self, now: float) -> None:
        for unit in self.units:
            for controller, readers in self._readers.items():
                if unit.name not in readers:
                    continue
                if controller in self.publishers:
                    self.publishers[controller].update(unit.name, unit.panel.shown, now)
                    continue
                for memory in self._memories[controller].values():
                    memory.update(unit.name, unit.panel.shown)


async def run_simulator(
    site: Site, settings: SimulationSettings, report: Callable[[SimulationEvent], None]
) -> None:
    """Simulate a site until cancelled or its duration has passed; see ``Simulator``."""
    await Simulator(site, settings, report).run()
