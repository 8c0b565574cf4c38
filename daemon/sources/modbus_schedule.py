"""Which read comes next on one connection, and what a failed one means for the others.

Pure: a synchronous object that is told what happened and when. One connection may lead to a gateway with many
devices behind it; a device that stays silent costs a time-out each time it is asked, so it is asked after its
neighbours, at most one such time-out in a cycle, and ever more rarely.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from daemon.sources.modbus_codec import BlockDecoder
from daemon.sources.modbus_faults import ReadError
from daemon.sources.modbus_plan import PlannedRead
from daemon.sources.ticks import Ticks

FIRST_MERGE_DELAY = 600.0
LONGEST_MERGE_DELAY = 6 * 3600.0
"""How long a refused read stays split before it is tried whole again [s]; doubles from the first to this."""


@dataclass(eq=False, slots=True)
class ReadState:
    """One planned read and how it has fared. ``misses`` counts the failures since its last answer.

    ``whole`` is the planned read that it is a part of after a split, else itself.
    """

    read: PlannedRead
    whole: PlannedRead
    due: bool = True
    misses: int = 0
    fault: ReadError | None = None
    resting_until: float = 0.0
    decoder: BlockDecoder | None = None


@dataclass(eq=False, slots=True)
class _Device:
    """One device id behind the connection."""

    device_id: int
    reads: deque[ReadState] = field(default_factory=deque)
    silences: int = 0
    retry_at: float = 0.0
    fault: ReadError | None = None
    skip: bool = False


@dataclass(frozen=True, slots=True)
class Missed:
    """A read that was due and brought nothing, and why."""

    state: ReadState
    fault: ReadError


class Schedule:
    """Hands out the reads of one connection, cycle by cycle.

    Parameters
    ----------
    reads : iterable of PlannedRead
        All reads of the connection.
    period, slow_period : float
        Time between two reads of the fast and of the slow class [s].
    retry_limit : float
        Longest time for which a silent device among several is left alone [s].
    start : float
        Now [monotonic s].
    phase : float
        Share of the slow period by which slow reads are shifted, 0 to 1.
    """

    def __init__(
        self,
        reads: Iterable[PlannedRead],
        *,
        period: float,
        slow_period: float,
        retry_limit: float,
        start: float,
        phase: float = 0.0,
    ) -> None:
        self._period = period
        self._slow_period = slow_period
        self._retry_limit = retry_limit
        self._slow_ticks = Ticks(slow_period, start, phase)
        self._devices: dict[int, _Device] = {}
        for read in reads:
            device = self._devices.setdefault(read.request.device_id, _Device(read.request.device_id))
            device.reads.append(ReadState(read, read))
        self._missed: list[Missed] = []
        self._started = start
        self._slow_done = False
        self._probes: deque[_Device] = deque()
        self._merge_at = math.inf
        self._merge_delay = FIRST_MERGE_DELAY

    @property
    def states(self) -> Iterator[ReadState]:
        """All reads, with how they fared."""
        return (state for device in self._devices.values() for state in device.reads)

    @property
    def several_devices(self) -> bool:
        """Whether neighbours have to be protected from a silent device."""
        return len(self._devices) > 1

    def begin(self, now: float) -> None:
        """Begin a cycle: every fast read is due, and the slow ones when their tick has come."""
        if now >= self._merge_at:
            self._merge()
        slow_tick = now >= self._slow_ticks.due
        if slow_tick:
            self._slow_ticks.take(now)
        for device in self._devices.values():
            device.skip = False
            for state in device.reads:
                state.due = state.due or slow_tick or state.read.scan_class == "fast"
                if state.due and now < state.resting_until:
                    state.due = False
        self._missed = []
        self._started = now
        self._slow_done = False
        silent = [device for device in self._devices.values() if device.silences and now >= device.retry_at]
        self._probes = deque(sorted(silent, key=lambda device: device.retry_at))

    def next_read(self, now: float) -> ReadState | None:
        """Return the next read of this cycle, or ``None`` when it is complete.

        Fast reads of answering devices come first, then their slow ones (at least one, and more while the
        period lasts), then silent devices are tried until one of them stays silent again.
        """
        answering = [device for device in self._devices.values() if not device.silences and not device.skip]
        for device in answering:
            for state in device.reads:
                if state.due and state.read.scan_class == "fast":
                    return state
        if not self._slow_done or now - self._started < self._period:
            for device in answering:
                for state in device.reads:
                    if state.due:
                        self._slow_done = True
                        return state
        while self._probes:
            device = self._probes.popleft()
            for state in device.reads:
                if state.due:
                    return state
        return None

    def answered(self, state: ReadState) -> None:
        """Take note of an answer; a device that was silent is then read in full in the same cycle."""
        state.due = False
        state.misses = 0
        state.fault = None
        device = self._devices[state.read.request.device_id]
        device.silences = 0
        device.fault = None

    def failed(self, state: ReadState, fault: ReadError, now: float) -> None:
        """Take note of a failure and of what it means for the other reads."""
        device = self._devices[state.read.request.device_id]
        if fault.splittable and len(state.read.points) > 1:
            device.silences = 0
            self._split(device, state, now)
            return
        self._miss(state, fault)
        if not fault.passing:
            state.resting_until = now + self._slow_period
        if not fault.silent_device:
            device.silences = 0
            return
        if device.silences:
            self._probes.clear()
        device.skip = True
        device.fault = fault
        if self.several_devices:
            pause = min(self._period * 2**device.silences, self._retry_limit)
            device.retry_at = now + pause
            device.silences = min(device.silences + 1, 30)
        # The next try begins with another read: one that the device cannot answer must not hide the rest.
        device.reads.rotate(-1 - device.reads.index(state))

    def end(self) -> list[Missed]:
        """End the cycle; returns the reads that were due and brought nothing."""
        for device in self._devices.values():
            if device.fault is not None and (device.silences or device.skip):
                for state in device.reads:
                    if state.due:
                        self._miss(state, device.fault)
        return self._missed

    def all_missed(self, fault: ReadError, *, counted: bool) -> list[Missed]:
        """Miss every read, because there is no connection; only ``counted`` ones that were due add up."""
        for state in self.states:
            if counted and state.due:
                state.misses += 1
                state.due = False
            state.fault = fault
        return [Missed(state, fault) for state in self.states]

    def _miss(self, state: ReadState, fault: ReadError) -> None:
        state.due = False
        state.misses += 1
        state.fault = fault
        self._missed.append(Missed(state, fault))

    def reconnected(self) -> None:
        """Ask everything again at once: behind a new connection a device may have changed its mind."""
        for device in self._devices.values():
            device.retry_at = 0.0
            for state in device.reads:
                state.due = True
                state.resting_until = 0.0

    def _split(self, device: _Device, state: ReadState, now: float) -> None:
        """Put two halves in a refused read's place, due at once, so that only the culprit is lost."""
        index = device.reads.index(state)
        del device.reads[index]
        for offset, half in enumerate(state.read.halves()):
            device.reads.insert(index + offset, ReadState(half, state.whole, misses=state.misses))
        self._merge_at = now + self._merge_delay

    def _merge(self) -> None:
        """Put the reads that were split back together; what is still refused will be split again."""
        self._merge_at = math.inf
        self._merge_delay = min(2 * self._merge_delay, LONGEST_MERGE_DELAY)
        for device in self._devices.values():
            parts = [state for state in device.reads if state.read is not state.whole]
            for whole in {id(state.whole): state.whole for state in parts}.values():
                misses = max(state.misses for state in parts if state.whole is whole)
                device.reads.append(ReadState(whole, whole, misses=misses))
            for state in parts:
                device.reads.remove(state)
