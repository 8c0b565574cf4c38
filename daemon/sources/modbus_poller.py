"""Polls one Modbus connection for as long as the daemon runs: one task, one request at a time.

Whatever happens in the field costs only the signals that it touches. A value that could not be read again is
first uncertain (the last one, with its own time), and bad after three misses; a value that the device refuses
is bad at once. A cycle that takes longer than its period is followed by the next tick that is still to come.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import structlog

from config.controllers import ModbusRtuOverTcp, ModbusSerial, ModbusTcp
from config.loader import unit_context
from config.signals import ModbusSignal
from config.site import Site
from daemon.clock import Clock
from daemon.model import Link, LinkState, Reading, Status
from daemon.sources.base import Scaling, scaling_of
from daemon.sources.board import Board
from daemon.sources.modbus_codec import BlockDecoder
from daemon.sources.modbus_faults import FaultKind, ReadError
from daemon.sources.modbus_link import ModbusController, ModbusLink
from daemon.sources.modbus_plan import plan_signals
from daemon.sources.modbus_schedule import Missed, ReadState, Schedule
from daemon.sources.ticks import Distribution, Ticks, stagger

MISSES_UNTIL_BAD = 3
"""Reads that may fail before the last value is no longer usable: three missed polls, common practice."""
SILENCES_UNTIL_RECONNECT = 3
"""Requests without any answer after which a TCP connection is taken for half-open and made anew."""
OVERRUNS_UNTIL_SAID = 3
"""Cycles in a row that take longer than their period before the link is called degraded for it."""
FIRST_RECONNECT_DELAY = 0.5

_log = structlog.get_logger("tegwatch.modbus")


@dataclass(slots=True)
class PollStatistics:
    """Numbers of one poller since it started."""

    lateness: Distribution = field(default_factory=Distribution)
    """From when a cycle was due to when it began [s]."""
    cycle_time: Distribution = field(default_factory=Distribution)
    """From the beginning of a cycle to its end [s]."""
    cycles: int = 0
    requests: int = 0
    answers: int = 0
    connects: int = 0
    skipped_ticks: int = 0
    """Cycles left out because the one before took too long."""
    faults: dict[FaultKind, int] = field(default_factory=lambda: dict.fromkeys(FaultKind, 0))


class ModbusPoller:
    """Reads the signals of one controller or gateway and puts them on the board.

    Parameters
    ----------
    controller : ModbusTcp, ModbusRtuOverTcp or ModbusSerial
        Connection and limits.
    signals : mapping of (unit, signal) to ModbusSignal
        What to read.
    scalings : mapping of (unit, signal) to Scaling
        How raw values become SI.
    board : Board
        Where readings and link go.
    clock : Clock
        For time stamps and ticks.
    phase : float
        Share of the period by which this poller's ticks are shifted, 0 to 1.
    """

    def __init__(
        self,
        controller: ModbusController,
        signals: Mapping[tuple[str, str], ModbusSignal],
        scalings: Mapping[tuple[str, str], Scaling],
        board: Board,
        clock: Clock,
        *,
        phase: float = 0.0,
    ) -> None:
        self._controller = controller
        self._scalings = scalings
        self._board = board
        self._clock = clock
        self._phase = phase
        self._link = ModbusLink(controller)
        self._plan = plan_signals(controller, signals)
        self._state = Link(LinkState.CONNECTING, clock.monotonic(), reason="not tried yet")
        self._schedule = Schedule(
            self._plan,
            period=controller.scan_period,
            slow_period=controller.slow_scan_period,
            retry_limit=controller.reconnect_delay_max,
            start=clock.monotonic(),
            phase=phase,
        )
        for state in self._schedule.states:
            state.decoder = BlockDecoder(state.read, controller, scalings)
        self._attempts = 0
        self._retry_at = 0.0
        self._silences = 0
        self._heard = False
        self._fault: ReadError | None = None
        self._overruns = 0
        self.statistics = PollStatistics()
        self.identification: dict[int, dict[int, str]] = {}

    @property
    def name(self) -> str:
        """Name of the controller."""
        return self._controller.name

    async def run(self) -> None:
        """Poll until cancelled."""
        start = self._clock.monotonic()
        ticks = Ticks(self._controller.scan_period, start, self._phase)
        # The first try need not wait for its tick, only keep out of the others' way.
        self._retry_at = start + self._phase * min(1.0, self._controller.scan_period)
        try:
            while True:
                wake = ticks.due if self._link.connected else min(ticks.due, self._retry_at)
                await asyncio.sleep(max(0.0, wake - self._clock.monotonic()))
                await self._turn(ticks)
        finally:
            self._link.close("the daemon stops")

    async def _turn(self, ticks: Ticks) -> None:
        """Do what is due: a cycle, a try to connect, or both."""
        started = self._clock.monotonic()
        is_tick = started >= ticks.due
        if is_tick:
            self.statistics.lateness.add(ticks.take(started))
            self.statistics.skipped_ticks = ticks.skipped
        elif self._link.connected or started < self._retry_at:
            return  # woken a little early
        self._schedule.begin(started)
        if not self._link.connected and started >= self._retry_at:
            await self._connect()
        if self._link.connected:
            await self._cycle(started)
        self._account_for_lost_connection(is_tick=is_tick)
        self._board.cycle_done(self.name)

    def _account_for_lost_connection(self, *, is_tick: bool) -> None:
        if self._link.connected or self._fault is None:
            return
        if self._state.state is not LinkState.DOWN or self._retry_at <= self._clock.monotonic():
            self._plan_reconnect()
        self._degrade(self._schedule.all_missed(self._fault, counted=is_tick))

    async def _connect(self) -> None:
        try:
            await self._link.connect()
        except ReadError as error:
            self.statistics.faults[error.kind] += 1
            self._fault = error
            return
        self.statistics.connects += 1
        self._silences = 0
        self._heard = False
        self._schedule.reconnected()
        self._schedule.begin(self._clock.monotonic())
        if self._controller.identify and not self.identification:
            await self._identify()

    async def _identify(self) -> None:
        for device_id in sorted({read.request.device_id for read in self._plan}):
            try:
                self.identification[device_id] = await self._link.identify(device_id)
            except ReadError as error:
                self.identification[device_id] = {}
                _log.info(
                    "no device identification",
                    controller=self.name,
                    device_id=device_id,
                    reason=error.reason,
                )

    async def _cycle(self, started: float) -> None:
        """Read all that is due, in the schedule's order."""
        schedule, statistics = self._schedule, self.statistics
        asked = alive = False
        while (state := schedule.next_read(self._clock.monotonic())) is not None:
            statistics.requests += 1
            asked = True
            try:
                data = await self._link.read(state.read.request)
            except ReadError as error:
                alive |= not error.silent_device and error.kind is not FaultKind.NOT_CONNECTED
                self._read_failed(state, error)
                if self._heard:
                    self._drop_if_half_open(error)
                if not self._link.connected:
                    return
            else:
                alive = True
                self._answered(state, data)
        if not alive and self._fault is not None:
            self._drop_if_half_open(self._fault)
        if not self._link.connected:
            return
        self._degrade(schedule.end())
        taken = self._clock.monotonic() - started
        statistics.cycles += 1
        statistics.cycle_time.add(taken)
        self._overruns = self._overruns + 1 if taken > self._controller.scan_period else 0
        if asked:
            self._set_connected_link(alive=alive)

    def _answered(self, state: ReadState, data: bytes) -> None:
        self.statistics.answers += 1
        self._silences = 0
        self._heard = True
        self._attempts = 0
        self._schedule.answered(state)
        if state.decoder is None:  # a part of a read that was refused
            state.decoder = BlockDecoder(state.read, self._controller, self._scalings)
        readings = state.decoder.decode(data, self._clock.wall(), self._clock.monotonic())
        for unit, of_unit in readings.items():
            self._board.put_many(unit, of_unit)

    def _read_failed(self, state: ReadState, error: ReadError) -> None:
        error.__traceback__ = None  # it is kept as the reason; the frames that it passed are not
        self.statistics.faults[error.kind] += 1
        self._schedule.failed(state, error, self._clock.monotonic())
        if error.splittable and len(state.read.points) > 1:
            _log.info("a read was refused, trying its halves", controller=self.name, reason=error.reason)
        self._fault = error
        if error.kind is FaultKind.REFUSED:
            self._heard = True
            self._silences = self._attempts = 0
        else:
            self._silences += 1

    def _drop_if_half_open(self, fault: ReadError) -> None:
        """Drop a connection on which nobody answers; a serial line has no other end to lose."""
        if self._silences >= SILENCES_UNTIL_RECONNECT and not isinstance(self._controller, ModbusSerial):
            self._link.close(f"{fault.reason}, {self._silences} times in a row")

    def _degrade(self, missed: Iterable[Missed]) -> None:
        """Mark the signals of reads that brought nothing."""
        wall, now = self._clock.wall(), self._clock.monotonic()
        for state, fault in ((one.state, one.fault) for one in missed):
            is_bad = not fault.passing or state.misses >= MISSES_UNTIL_BAD
            bad = Reading(None, fault.status, wall, now, fault.reason)
            for point in state.read.points:
                reading = self._board.reading(point.unit, point.signal)
                if is_bad or reading.usable is None:
                    reading = bad
                else:
                    reading = reading.degraded(
                        Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE, fault.reason
                    )
                self._board.put(point.unit, point.signal, reading)

    def _plan_reconnect(self) -> None:
        """Plan the next try: half a second, doubling up to the limit, a little different for each poller."""
        spread = 0.75 + 0.5 * self._phase
        delay = min(FIRST_RECONNECT_DELAY * 2**self._attempts, self._controller.reconnect_delay_max)
        self._attempts = min(self._attempts + 1, 30)
        self._retry_at = self._clock.monotonic() + delay * spread
        self._set_link(LinkState.DOWN, self._fault.reason if self._fault else "the connection was lost")

    def _set_connected_link(self, *, alive: bool) -> None:
        failing = [state for state in self._schedule.states if state.fault is not None]
        if not alive and failing:
            is_down = all(state.misses >= MISSES_UNTIL_BAD for state in failing)
            self._set_link(LinkState.DOWN if is_down else LinkState.DEGRADED, _worst(failing))
        elif failing:
            self._set_link(LinkState.DEGRADED, _worst(failing), answered=True)
        elif self._overruns >= OVERRUNS_UNTIL_SAID:
            taken, period = self.statistics.cycle_time.last, self._controller.scan_period
            reason = f"a scan takes {taken:.2g} s, longer than its period of {period:g} s"
            self._set_link(LinkState.DEGRADED, reason, answered=True)
        else:
            self._set_link(LinkState.UP, "", answered=True)

    def _set_link(self, state: LinkState, reason: str, *, answered: bool = False) -> None:
        now = self._clock.monotonic()
        since = self._state.since if state is self._state.state else now
        last_good = now if answered else self._state.last_good
        if state is not self._state.state:
            log = _log.info if state is LinkState.UP else _log.warning
            log("controller link", controller=self.name, state=state.value, reason=reason)
        self._state = Link(state, since, last_good, reason)
        self._board.set_link(self.name, self._state)


def _worst(failing: list[ReadState]) -> str:
    """Name the device and the reason of the read that has failed longest."""
    state = max(failing, key=lambda state: state.misses)
    others = f" (and {len(failing) - 1} more reads)" if len(failing) > 1 else ""
    return f"device {state.read.request.device_id}: {state.fault}{others}"


def modbus_signals(site: Site) -> dict[str, dict[tuple[str, str], ModbusSignal]]:
    """Return the signals that come from each Modbus controller, by controller, then by unit and name."""
    by_controller: dict[str, dict[tuple[str, str], ModbusSignal]] = {}
    for unit in site.units:
        for name, signal in unit.signals.items():
            if isinstance(signal, ModbusSignal):
                by_controller.setdefault(signal.controller, {})[unit.name, name] = signal
    return by_controller


def modbus_scalings(
    site: Site, signals: Mapping[tuple[str, str], ModbusSignal]
) -> dict[tuple[str, str], Scaling]:
    """Return how each signal's raw value becomes SI at this site.

    Raises
    ------
    ValueError
        A unit that does not fit, or a quantity that is not known.
    """
    context = unit_context(site)
    return {key: scaling_of(key[1], signal, context) for key, signal in signals.items()}


def modbus_pollers(site: Site, board: Board, clock: Clock) -> list[ModbusPoller]:
    """Build a poller for every Modbus controller that has signals, their phases evenly spread.

    Raises
    ------
    ExceptionGroup
        Signals that cannot be placed on the wire, each named.
    ValueError
        A unit that does not fit its quantity.
    """
    pollers: list[ModbusPoller] = []
    by_controller = modbus_signals(site)
    for controller in site.controllers:
        if not isinstance(controller, ModbusTcp | ModbusRtuOverTcp | ModbusSerial):
            continue
        if signals := by_controller.get(controller.name):
            scalings = modbus_scalings(site, signals)
            phase = stagger(len(pollers))
            pollers.append(ModbusPoller(controller, signals, scalings, board, clock, phase=phase))
    return pollers
