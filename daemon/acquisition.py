"""From the board to the journal: every unit's scan, step and commit, and the operators' actions between them.

One ``UnitScanner`` a unit. It holds the unit's monitor, takes a scan when its pacer says so, and hands the
outcome to the journal's writer. Nothing in it waits: a scan is one synchronous stretch on the event loop,
so a unit's steps never overlap and never see half of a poll.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import structlog

from config.controllers import ModbusBase
from config.site import DehydrationUnit, Site
from daemon.clock import Clock
from daemon.journal.writer import JournalWriter
from daemon.model import (
    AlarmState,
    AlarmTransition,
    Event,
    OperatingState,
    OperatorAction,
    Outcome,
    Scan,
    StepInput,
)
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.pacing import PROBE_PERIOD, LoadGovernor, ScanPacer
from daemon.sources.board import Board
from daemon.sources.ticks import Distribution

log = structlog.get_logger()


@dataclass(slots=True)
class ScanFigures:
    """How one unit's scans are going; kept as numbers for the metrics and the system page."""

    taken: int = 0
    failed: int = 0
    refused: int = 0
    worst_lateness: float = 0.0
    last_lateness: float = 0.0
    lateness: Distribution = field(default_factory=Distribution)
    """From when a scan was due to when it was taken [s]."""
    failing: str = ""
    """Why scans of this unit cannot be evaluated; empty while they can."""


class UnitScanner:
    """Takes one unit's scans and applies operators' actions to its alarms.

    Parameters
    ----------
    unit : DehydrationUnit
        The unit.
    monitor : UnitMonitor
        Its monitor, already restored.
    board : Board
        Where its readings come from.
    writer : JournalWriter
        Where its outcomes go.
    clock : Clock
        Wall and monotonic time.
    pacer : ScanPacer
        Says when to scan.
    """

    def __init__(
        self,
        unit: DehydrationUnit,
        monitor: UnitMonitor,
        board: Board,
        writer: JournalWriter,
        clock: Clock,
        pacer: ScanPacer,
    ) -> None:
        self.unit = unit
        self.monitor = monitor
        self.figures = ScanFigures()
        self.latest: Outcome | None = None
        self.last_taken = clock.monotonic()
        """When a scan was last taken, whatever came of it [monotonic s]; the start before the first."""
        self._board = board
        self._writer = writer
        self._clock = clock
        self._pacer = pacer
        self._sequence = 0
        self._timer: asyncio.TimerHandle | None = None
        self._unsubscribe: list[Callable[[], None]] = []

    @property
    def missed(self) -> int:
        """Whole scan periods that passed unused."""
        return self._pacer.missed

    def stretch(self, periods: int) -> None:
        """Scan only every so many periods from the next scan on."""
        self._pacer.stretch = periods

    @property
    def period(self) -> float:
        """Time between two scans as the box bears it at present [s]."""
        return self._pacer.period * self._pacer.stretch

    def exchange(self, unit: DehydrationUnit, monitor: UnitMonitor, board: Board, pacer: ScanPacer) -> None:
        """Go on between two scans with what a reload has made anew; figures, numbers and grid go on.

        One synchronous stretch: whoever holds this scanner finds the one monitor or the other, and no scan
        falls between.
        """
        scanning = self._timer is not None
        self.stop()
        before = self._pacer
        if (pacer.period, pacer.polled) == (before.period, before.polled):
            pacer = before
        else:
            pacer.missed, pacer.stretch = before.missed, before.stretch
            pacer.due = min(before.due, self._clock.monotonic() + pacer.period)
        self.unit, self.monitor, self._board, self._pacer = unit, monitor, board, pacer
        if scanning:
            self.start()

    def start(self) -> None:
        """Begin to scan; needs a running event loop."""
        for controller in self._pacer.polled:
            self._unsubscribe.append(self._board.on_cycle(controller, self._on_cycle(controller)))
        self._arm()

    def stop(self) -> None:
        """Take no further scan."""
        for unsubscribe in self._unsubscribe:
            unsubscribe()
        self._unsubscribe.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _on_cycle(self, controller: str) -> Callable[[], None]:
        def callback() -> None:
            if self._pacer.cycle(controller, self._clock.monotonic()):
                self._take()

        return callback

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        delay = max(0.0, self._pacer.deadline - self._clock.monotonic())
        self._timer = asyncio.get_running_loop().call_later(delay, self._take)

    def _take(self) -> None:
        now = self.last_taken = self._clock.monotonic()
        lateness = self._pacer.taken(now)
        self.figures.last_lateness = lateness
        self.figures.worst_lateness = max(self.figures.worst_lateness, lateness)
        self.figures.lateness.add(lateness)
        self._arm()
        if self._writer.full:
            # A monitor must not move on unless its outcome is kept: better a slower scan than a lost alarm.
            self.figures.refused += 1
            return
        scan = Scan(
            self.unit.name,
            self._sequence,
            self._clock.wall(),
            now,
            self._board.readings(self.unit.name),
            self._board.links(self.unit.name),
        )
        self._sequence += 1
        try:
            outcome = self.monitor.step(scan)
        except Exception as error:
            # One unit's defect must not stop the others; once is enough to tell, the scans count the rest.
            if self._failed(scan, error):
                log.exception("scan_failed", unit=self.unit.name, sequence=scan.sequence)
            return
        if self.figures.failing:
            self.figures.failing = ""
            self._note(scan, "evaluation works", f"scans of {self.unit.name} are evaluated again")
        self.figures.taken += 1
        self.latest = outcome
        self._writer.put_nowait(outcome)

    def _failed(self, scan: Scan, error: Exception) -> bool:
        """Keep once that this unit is not being watched, not at every scan; return whether that is news.

        News is a failure of another type: the words of one may change with every value.
        """
        kind, before = type(error).__name__, self.figures.failing
        self.figures.failed += 1
        self.figures.failing = f"{kind}: {error}"
        if before.partition(":")[0] == kind:
            return False
        message = f"scans of {self.unit.name} cannot be evaluated, its alarms are not being watched: "
        self._note(scan, "evaluation failing", message + self.figures.failing)
        return True

    def _note(self, scan: Scan, kind: str, message: str) -> None:
        event = Event(self.unit.name, kind, scan.time, message)
        outcome = Outcome(
            unit=self.unit.name,
            sequence=scan.sequence,
            time=scan.time,
            monotonic=scan.monotonic,
            state=OperatingState.UNKNOWN,
            signals={},
            results={},
            events=(event,),
        )
        self._writer.put_nowait(outcome)

    async def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Apply an operator's action and return once it is kept durably.

        Raises
        ------
        daemon.monitor.alarms.ActionRefusedError
            It cannot be done; the reason says why. Nothing has changed.
        """
        transitions = self.monitor.apply(action)
        if transitions:
            await self._writer.committed(
                Outcome(
                    unit=self.unit.name,
                    sequence=self._sequence,
                    time=action.time,
                    monotonic=action.monotonic,
                    state=self.monitor.state,
                    signals={},
                    results={},
                    alarms=transitions,
                    checkpoint=self.monitor.save(),
                    given=StepInput(action=action),
                )
            )
        return transitions

    async def enter(self, entry: Event) -> tuple[Event, ...]:
        """Keep an entry of the log book and let the calculation act on it; return what that says of it.

        Raises
        ------
        daemon.journal.errors.JournalError
            The disk does not take it now; it holds in the running daemon (``JournalWriter.committed``).
        """
        told = self.monitor.enter(entry)
        await self._writer.committed(
            Outcome(
                unit=self.unit.name,
                sequence=self._sequence,
                time=entry.time,
                monotonic=self._clock.monotonic(),
                state=self.monitor.state,
                signals={},
                results={},
                events=(entry, *told),
                checkpoint=self.monitor.save(),
            )
        )
        return told


@dataclass(frozen=True, slots=True)
class LoadFigures:
    """Whether this box keeps up with its units."""

    lag: float = 0.0
    """How late timers run, the median of some seconds [s]."""
    stretch: int = 1
    """Only every so many scan periods a unit is evaluated; more than 1 is overload."""

    @property
    def overload(self) -> str:
        """What is wrong, in words; empty while the box keeps up."""
        if self.stretch == 1:
            return ""
        return f"this box does not keep up: every unit is evaluated once in {self.stretch} scan periods only"


class Fleet:
    """All units' scanners by unit name."""

    def __init__(self, scanners: Iterable[UnitScanner]) -> None:
        self.scanners: Mapping[str, UnitScanner] = {scanner.unit.name: scanner for scanner in scanners}
        self.load = LoadFigures()

    def alarm_state(self, unit: str, alarm: str) -> AlarmState | None:
        """Return an alarm's present state; ``None`` if there is no such unit or alarm."""
        if (scanner := self.scanners.get(unit)) is None:
            return None
        found = (known.state for known in scanner.monitor.alarms() if known.alarm.id == alarm)
        return next(found, None)

    def bear(self, load: LoadFigures) -> None:
        """Show how loaded the box is, and scan as often as it bears."""
        if load.stretch != self.load.stretch:
            for scanner in self.scanners.values():
                scanner.stretch(load.stretch)
        self.load = load

    def start(self) -> None:
        """Begin to scan every unit."""
        for scanner in self.scanners.values():
            scanner.start()

    def stop(self) -> None:
        """Take no further scan of any unit."""
        for scanner in self.scanners.values():
            scanner.stop()


class LoadWatch:
    """Looks how late timers run, has units scanned less often while they run late, and says so.

    Parameters
    ----------
    clock : Clock
        Monotonic time.
    fleet : callable
        Returns the fleet in force; a reload makes another.
    note : callable
        Keeps an event by kind and message.
    """

    def __init__(self, clock: Clock, fleet: Callable[[], Fleet], note: Callable[[str, str], None]) -> None:
        self._clock = clock
        self._fleet = fleet
        self._note = note
        self._governor = LoadGovernor()

    async def run(self) -> None:
        """Watch until cancelled."""
        while True:
            due = self._clock.monotonic() + PROBE_PERIOD
            await asyncio.sleep(PROBE_PERIOD)
            now = self._clock.monotonic()
            self.probe(max(0.0, now - due), now)

    def probe(self, lag: float, now: float) -> None:
        """Take one look: a timer fired so much too late."""
        before = self._governor.stretch
        changed = self._governor.observe(lag, now)
        load = LoadFigures(self._governor.lag, self._governor.stretch)
        self._fleet().bear(load)
        if not changed:
            return
        if load.stretch > before:
            log.error("overload", stretch=load.stretch, lag=load.lag)
            self._note("overload", f"{load.overload}; timers run {load.lag:.2f} s late")
        elif load.overload:
            log.warning("overload_eases", stretch=load.stretch)
            self._note("overload eases", load.overload)
        else:
            log.info("overload_over")
            self._note(
                "overload over", "this box keeps up again: every unit is evaluated at every scan period"
            )


def pacer_for(site: Site, unit: DehydrationUnit, start: float) -> ScanPacer:
    """Return the pacer of a unit: it waits for those polled controllers that are as fast as itself."""
    used = {signal.controller for signal in unit.signals.values() if signal.scan_class == "fast"}
    polled = frozenset(
        controller.name
        for controller in site.controllers
        if isinstance(controller, ModbusBase)
        and controller.name in used
        and controller.scan_period <= unit.scan_period
    )
    return ScanPacer(polled, unit.scan_period, start)
