"""A run of the demo's north unit written into a journal as the daemon does it, with what goes wrong in it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from random import Random

from config.alarm_set import resolve_alarms
from config.hashes import values_hash
from config.site import Site
from daemon.journal.journal import Journal
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    Event,
    Link,
    LinkState,
    OperatingState,
    OperatorAction,
    Outcome,
    Reading,
    Scan,
    Status,
    StepInput,
)
from daemon.monitor.alarms import ActionRefusedError
from daemon.monitor.unit_monitor import UnitMonitor

BEGIN = 1_760_000_000.0
VERSION = "test"

DRYING = {
    "reboiler_temperature": 471.0,
    "reboiler_shutdown_temperature": 471.5,
    "contactor_temperature": 303.0,
    "contactor_pressure": 5.6e6,
    "gas_rate": 0.5,
    "outlet_water_content": 6.0e-5,
    "still_top_temperature": 372.0,
    "lean_glycol_temperature": 308.0,
    "reboiler_level": 0.7,
    "surge_level": 0.6,
    "filter_differential_pressure": 2.0e4,
    "contactor_differential_pressure": 2.0e3,
    "flash_pressure": 4.5e5,
    "burner_on": 1.0,
    "bypass_open": 0.0,
}


class RecordedRun:
    """Steps scans through a monitor into a journal; can be killed and started anew.

    Scans come every ``period`` seconds; ``seconds`` counts from the beginning.
    """

    def __init__(self, path: Path, site: Site, *, period: float = 1.0, seed: int = 1) -> None:
        self.path, self.site, self.period = path, site, period
        self.unit = site.units[0]
        self.transitions: list[AlarmTransition] = []
        self._noise = Random(seed)
        self._seconds = 0.0
        self._strokes = 0.0
        self._received: dict[str, Reading] = {}
        self.start(first_monotonic=5000.0)

    @property
    def now(self) -> float:
        return BEGIN + self._seconds

    def start(self, *, first_monotonic: float) -> None:
        """A new process: the journal is opened anew, the monitor goes on from its checkpoint."""
        self.journal = Journal.open(self.path, now=self.now, machine_boot=f"boot-{first_monotonic}")
        self.monitor = UnitMonitor(self.site, self.unit, resolve_alarms(self.site, self.unit).alarms)
        checkpoint = self.journal.checkpoint(self.unit.name)
        if checkpoint is not None:
            self.monitor.restore(checkpoint.body)
        self._monotonic = first_monotonic - self._seconds
        self._number = 0
        data = {"configuration": "c", "values": values_hash(self.site), "version": VERSION}
        event = Event("", "daemon started", self.now, "started", data)
        self.journal.commit(
            [Outcome("", 0, self.now, first_monotonic, OperatingState.UNKNOWN, {}, {}, (), (event,))]
        )

    def close(self) -> None:
        self.journal.close()

    def run(
        self,
        seconds: float,
        changes: dict[str, float | None] | None = None,
        *,
        link: Link | None = None,
        strokes_per_minute: float = 20.0,
        stored: bool = True,
    ) -> None:
        """Scan for a while; a changed value of ``None`` means that nothing new comes of that signal."""
        outcomes = []
        for _ in range(round(seconds / self.period)):
            self._seconds += self.period
            self._strokes += strokes_per_minute * self.period / 60.0
            outcomes.append(self.monitor.step(self._scan(changes or {}, link)))
            self._number += 1
        if stored:
            self.transitions += [step for outcome in outcomes for step in outcome.alarms]
            self.journal.commit(outcomes)

    def _scan(self, changes: dict[str, float | None], link: Link | None) -> Scan:
        monotonic = self._seconds + self._monotonic
        for name in self.unit.signals:
            value = changes.get(name, DRYING.get(name, 0.0))
            if link is not None or value is None:
                continue
            if name == "stroke_count":
                value = float(int(self._strokes) % 65536)
            elif name == "controller_heartbeat":
                value = float(int(self._seconds) % 65536)
            elif value not in {0.0, 1.0} and math.isfinite(value):
                value *= 1.0 + self._noise.gauss(0.0, 1e-4)
            self._received[name] = Reading(value, Status.GOOD, self.now - 0.05, monotonic - 0.05)
        links = {"north-plc": link or Link(LinkState.UP, 0.0, monotonic - 0.05)}
        return Scan(self.unit.name, self._number, self.now, monotonic, dict(self._received), links)

    def act(self, kind: ActionKind, alarm: str, *, duration: float = 0.0) -> bool:
        """An operator's request half a second after the last scan; false when it is refused."""
        known = {each.alarm.id: each for each in self.monitor.alarms()}
        action = OperatorAction(
            kind, self.unit.name, alarm, "ada", self.now + 0.5, self._seconds + self._monotonic + 0.5,
            occurrence=known[alarm].occurrence, duration=duration, comment="seen",
        )  # fmt: skip
        try:
            transitions = self.monitor.apply(action)
        except ActionRefusedError:
            return False
        self.transitions += transitions
        self.journal.commit(
            [
                Outcome(
                    self.unit.name, self._number, action.time, action.monotonic, self.monitor.state, {}, {},
                    transitions, checkpoint=self.monitor.save(), given=StepInput(action=action),
                )
            ]
        )  # fmt: skip
        return True

    def enter(self, entry: Event) -> tuple[Event, ...]:
        """Somebody enters something into the log book half a second after the last scan."""
        told = self.monitor.enter(entry)
        self.journal.commit(
            [
                Outcome(
                    self.unit.name, self._number, entry.time, self._seconds + self._monotonic + 0.5,
                    self.monitor.state, {}, {}, (), (entry, *told), checkpoint=self.monitor.save(),
                )
            ]
        )  # fmt: skip
        return told

    def unacknowledged(self) -> Iterator[str]:
        for each in self.monitor.alarms():
            if each.state is AlarmState.UNACKNOWLEDGED:
                yield each.alarm.id

    def kill(self) -> None:
        """End the process without warning; what was stepped and not stored is gone."""
        self.journal.close()

    def late_value(self, signal: str) -> None:
        """A value that was measured while the daemon was away, stored at its own time."""
        reading = self._received[signal]._replace(time=self.now - 3600.0)
        self.journal.commit(
            [
                Outcome(
                    self.unit.name, 0, reading.time, reading.received, self.monitor.state,
                    {signal: reading}, {},
                )
            ]
        )  # fmt: skip


DOWN = Link(LinkState.DOWN, 0.0, 100.0, "no answer for 5 s")
NEVER = Link(LinkState.CONNECTING, 0.0, reason="not tried yet")


def eventful_run(path: Path, site: Site, *, period: float = 1.0) -> RecordedRun:
    """A few hours with everything that a replay must get right: about 2 000 scans at one a second."""
    run = RecordedRun(path, site, period=period)
    run.run(20, link=NEVER)
    run.run(400)
    run.run(90, {"reboiler_temperature": 479.0})
    for alarm in list(run.unacknowledged()):
        run.act(ActionKind.ACKNOWLEDGE, alarm)
    run.run(60, {"filter_differential_pressure": 1.9e5})
    run.run(3, {"contactor_temperature": math.nan, "gas_rate": 1e9})
    run.run(40, {"still_top_temperature": None, "controller_heartbeat": None})
    run.run(120, strokes_per_minute=0.0)
    run.act(ActionKind.SHELVE, "reboiler_temperature_high", duration=300.0)
    run.run(60, {"reboiler_temperature": 484.0})
    run.run(45, link=DOWN)
    run.run(120)
    run.late_value("gas_rate")
    run.run(17, {"reboiler_temperature": 484.0}, stored=False)  # stepped, never committed
    run.kill()
    run.start(first_monotonic=9000.0)
    run.run(200, {"reboiler_temperature": 484.0})
    run.act(ActionKind.UNSHELVE, "reboiler_temperature_high")
    run.run(100)
    run.kill()
    run._seconds += 600.0
    run.start(first_monotonic=12.0)  # the box was booted: its monotonic clock begins anew
    run.run(300, {"surge_level": 0.05})
    run.run(200)
    return run
