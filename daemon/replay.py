"""History through a monitor again: which alarms would have come under this or another configuration.

Pure but for the journal it reads. The steps of one unit go, in the journal's order, through the same
``UnitMonitor`` that the daemon runs; operators' requests are repeated, and where the daemon was started anew
the monitor goes on from its newest saved state, as it did then. Under the configuration that it was recorded
with, history comes out the same to the last transition.

Under a configuration that differs in its alarms only, stored values are taken as they are and the alarms
alone are worked out (``may_keep_values`` says when that is the same).
"""

from __future__ import annotations

import dataclasses
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from config.alarm_set import resolve_alarms
from config.hashes import values_hash
from config.site import DehydrationUnit, Site
from daemon.journal.packing import pack_record, unpack_transition
from daemon.journal.recording import DaemonStart, RecordedStep, Recording
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    Link,
    LinkState,
    OperatorAction,
    Priority,
    Reading,
    Scan,
)
from daemon.monitor.alarms import ActionRefusedError
from daemon.monitor.entries import ENTRIES
from daemon.monitor.unit_monitor import SavedStateError, UnitMonitor

_OUT_OF_ORDER = "scan out of order"
_MAY_HOLD_LAST_STATE = 2000
"""A state is saved at least every 30 s; so many entries before a restart hold one."""


@dataclass(slots=True)
class Replay:
    """What a replay found.

    ``recorded`` and ``replayed`` hold the transitions from ``warmed`` on, those before ``begin`` too: they
    tell what was true then. ``exact_start`` is false when the state at ``begin`` could not be known;
    ``unheard_requests`` counts operators' requests that found nothing to act on, ``missing`` scans that were
    taken and never stored, ``without_inputs`` steps from before journals kept what a replay needs. ``under``
    says which configurations and versions the stretch was recorded under, in order.
    """

    unit: str
    begin: float
    end: float
    warmed: float
    exact_start: bool
    kept_values: bool
    recorded: list[AlarmTransition] = field(default_factory=list)
    replayed: list[AlarmTransition] = field(default_factory=list)
    scans: int = 0
    restarts: int = 0
    missing: int = 0
    without_inputs: int = 0
    unheard_requests: int = 0
    damaged: int = 0
    under: list[DaemonStart] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def counts(self) -> tuple[int, int]:
        """Count the transitions of the span: recorded, and replayed."""
        recorded, replayed = (
            sum(self.begin <= step.time < self.end for step in side)
            for side in (self.recorded, self.replayed)
        )
        return recorded, replayed

    def differences(self) -> int:
        """Count the transitions of the span that only one side has, or has otherwise.

        Likely causes count only where values were calculated anew: stored values do not tell them.
        """
        mine = [self._compared(step) for step in self.recorded if self.begin <= step.time < self.end]
        other = [self._compared(step) for step in self.replayed if self.begin <= step.time < self.end]
        if mine == other:
            return 0
        # An occurrence's name counts those of other alarms before it: by itself that is no difference.
        sides = (Counter(dataclasses.replace(step, occurrence="") for step in side) for side in (mine, other))
        same = (next(sides) & next(sides)).total()
        return max(1, max(len(mine), len(other)) - same)  # 1: their order or names alone

    def _compared(self, step: AlarmTransition) -> AlarmTransition:
        return dataclasses.replace(step, causes=()) if self.kept_values else step


def may_keep_values(site: Site, starts: Sequence[DaemonStart], version: str) -> bool:
    """Whether stored values are what this configuration would make of the stored readings.

    That is so when every start of the daemon in the stretch was by this version of the program and with a
    configuration that differs in alarms and deliveries only.
    """
    mine = (values_hash(site), version)
    return bool(starts) and all((start.values, start.version) == mine for start in starts)


def replay(
    recording: Recording,
    site: Site,
    begin: float,
    end: float,
    *,
    version: str,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
    keep_values: bool | None = None,
) -> Replay:
    """Run the history of one unit between two times through a configuration.

    Parameters
    ----------
    recording : Recording
        The unit's history.
    site : Site
        The configuration.
    begin, end : float
        The span [POSIX s]; before it the monitor warms up from the newest saved state.
    version : str
        This program's version.
    progress : callable
        Told how many of how many entries are done.
    keep_values : bool, optional
        Take stored values as they are; default: where that is the same.

    Raises
    ------
    KeyError
        The configuration has no such unit.
    daemon.journal.errors.JournalError
        The journal cannot be read.
    """
    unit = next((each for each in site.units if each.name == recording.unit), None)
    if unit is None:
        raise KeyError(f"the configuration has no unit called {recording.unit}")
    start = recording.start(begin)
    places = recording.places(start.after, end)
    starts = recording.daemon_starts(start.after, places[-1] if places else start.after)
    if keep_values is None:
        keep_values = may_keep_values(site, starts, version)
    found = Replay(recording.unit, begin, end, start.time, start.exact, keep_values, under=starts)
    driver = _Driver(site, unit, found, recording.restarts(places))
    driver.resume(start.state)
    done = 0
    for step in recording.steps(places):
        done = bisect_left(places, step.sequence, done)
        if done % 100 == 0:
            progress(done, len(places))
        driver.take(step, done)
    progress(len(places), len(places))
    found.damaged = recording.damaged
    return found


class _Driver:
    """Takes recorded steps one by one through a monitor."""

    def __init__(self, site: Site, unit: DehydrationUnit, found: Replay, restarts: list[int]) -> None:
        self._monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
        self._up = dict.fromkeys(sorted({signal.controller for signal in unit.signals.values()}))
        self._found = found
        self._restarts = restarts
        self._state: str | None = None
        self._boot: int | None = None
        self._number = -1

    def resume(self, state: str | None) -> None:
        """Go on from a saved state; without one, or with one that cannot be taken over, begin as new."""
        self._state = state
        if state is None:
            return
        try:
            self._monitor.restore(state)
        except SavedStateError as error:
            self._found.notes.append(f"a saved state was not taken over: {error}")

    def take(self, step: RecordedStep, place: int) -> None:
        """Repeat one step; ``place`` is the number of entries before it."""
        found = self._found
        if self._boot is not None and step.boot != self._boot:
            found.restarts += 1
            self.resume(self._state)
            self._number = -1
        self._boot = step.boot
        self._monitor.saves = self._state_may_be_needed(place)
        found.recorded += step.alarms
        if step.given.action is not None:
            self._request(step.given.action)
        elif step.scan is not None:
            if step.scan.results:  # a value that came late was stored alone and went through no step
                self._scan(step)
        elif any(event.kind == _OUT_OF_ORDER for event in step.events):
            self._monitor.step(Scan(found.unit, step.number, step.time, step.monotonic, {}))
        elif step.alarms:
            found.without_inputs += 1
        if not found.kept_values:
            self._entries(step)

    def _entries(self, step: RecordedStep) -> None:
        """Repeat what people entered; where values are taken as stored, what it did is in them."""
        for event in step.events:
            if event.kind in ENTRIES:
                self._monitor.enter(event)
                if self._monitor.saves:
                    self._state = self._monitor.save()

    def _state_may_be_needed(self, place: int) -> bool:
        index = bisect_left(self._restarts, place + 1)
        return index < len(self._restarts) and self._restarts[index] - place <= _MAY_HOLD_LAST_STATE

    def _scan(self, step: RecordedStep) -> None:
        found, values = self._found, step.scan
        assert values is not None  # noqa: S101 - for the type checker
        if self._number >= 0 and step.number > self._number:
            found.missing += step.number - self._number - 1
        self._number = step.number
        found.scans += 1
        found.without_inputs += not step.known
        links = {name: Link(LinkState.UP, step.monotonic, step.monotonic) for name in self._up}
        links.update(step.given.links)
        readings = values.signals if found.kept_values else _raw(step)
        scan = Scan(found.unit, step.number, step.time, step.monotonic, readings, links)
        if found.kept_values:
            outcome = self._monitor.judge_again(scan, values, step.events)
        else:
            outcome = self._monitor.step(scan)
        self._came(outcome.alarms)
        if outcome.checkpoint is not None:
            self._state = outcome.checkpoint

    def _request(self, action: OperatorAction) -> None:
        """Repeat an operator's request; an acknowledgement goes to what is there to acknowledge now."""
        if action.kind is ActionKind.ACKNOWLEDGE:
            known = {alarm.alarm.id: alarm.occurrence for alarm in self._monitor.alarms()}
            action = dataclasses.replace(action, occurrence=known.get(action.alarm) or action.occurrence)
        try:
            transitions = self._monitor.apply(action)
        except ActionRefusedError:
            self._found.unheard_requests += 1
            return
        self._came(transitions)
        if transitions and self._monitor.saves:
            self._state = self._monitor.save()

    def _came(self, transitions: Iterable[AlarmTransition]) -> None:
        """Take what the monitor said; of stored values it knows no likely causes but those of long ago."""
        for step in transitions:
            said = dataclasses.replace(step, causes=()) if self._found.kept_values else step
            self._found.replayed.append(_as_stored(said))


def _raw(step: RecordedStep) -> dict[str, Reading]:
    """Return the readings as they came, before the checks."""
    assert step.scan is not None  # noqa: S101 - for the type checker
    readings = dict(step.scan.signals)
    for name, reading in step.given.raw.items():
        if reading is None:
            readings.pop(name, None)
        else:
            readings[name] = reading
    return readings


def _as_stored(step: AlarmTransition) -> AlarmTransition:
    """Return a transition as it comes back from the journal, where NaN is no number."""
    return unpack_transition(step.unit, pack_record(step))


# ------------------------------------------------------------------ side by side


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time that an alarm was raised: from its annunciation to its return to normal [POSIX s].

    ``ended`` is false for one that had not returned when the span ended.
    """

    alarm: str
    begin: float
    end: float
    ended: bool
    priority: Priority

    @property
    def duration(self) -> float:
        """How long its condition lasted, as far as the span shows [s]."""
        return self.end - self.begin


@dataclass(frozen=True, slots=True)
class Pair:
    """The same event on both sides, or an occurrence that only one side has."""

    recorded: Occurrence | None
    replayed: Occurrence | None

    @property
    def begin(self) -> float:
        """When it began on the side that has it first [POSIX s]."""
        return min(side.begin for side in (self.recorded, self.replayed) if side is not None)

    @property
    def alarm(self) -> str:
        """Name of the alarm."""
        side = self.recorded or self.replayed
        assert side is not None  # noqa: S101 - a pair has at least one side
        return side.alarm


_TRUE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})


def occurrences(transitions: Iterable[AlarmTransition], begin: float, end: float) -> list[Occurrence]:
    """Return when alarms were shown with their condition true, as far as that touches the span, in order.

    What stays behind a shelf or a suppression is not shown and not counted.
    """
    found: list[Occurrence] = []
    since: dict[str, AlarmTransition] = {}
    for step in transitions:
        if step.time >= end:
            continue
        if step.state in _TRUE:
            since.setdefault(step.alarm, step)
        elif step.alarm in since:
            first = since.pop(step.alarm)
            if step.time > begin:
                found.append(Occurrence(step.alarm, first.time, step.time, True, first.priority))  # noqa: FBT003 - a field
    found += [Occurrence(name, first.time, end, False, first.priority) for name, first in since.items()]  # noqa: FBT003 - a field
    return sorted(found, key=lambda one: (one.begin, one.alarm))


def side_by_side(recorded: Sequence[Occurrence], replayed: Sequence[Occurrence]) -> list[Pair]:
    """Put occurrences of the same alarm that overlap in time beside each other, in order of time."""
    waiting: dict[str, list[Occurrence]] = {}
    for one in replayed:
        waiting.setdefault(one.alarm, []).append(one)
    pairs = []
    for one in recorded:
        others = waiting.get(one.alarm, [])
        match = next((other for other in others if other.begin <= one.end and one.begin <= other.end), None)
        if match is not None:
            others.remove(match)
        pairs.append(Pair(one, match))
    pairs += [Pair(None, one) for others in waiting.values() for one in others]
    return sorted(pairs, key=lambda pair: (pair.begin, pair.alarm))


def limitations(found: Replay) -> list[str]:
    """Say in words what a replay could not know."""
    texts = list(found.notes)
    if not found.exact_start:
        texts.append("the monitor's state at the beginning is not known: alarms true then begin anew")
    if found.missing:
        texts.append(f"{found.missing} scans were taken and are not stored")
    if found.without_inputs:
        texts.append(f"{found.without_inputs} steps were stored without links and raw readings")
    if found.unheard_requests:
        texts.append(f"{found.unheard_requests} operators' requests found nothing to act on")
    if found.damaged:
        texts.append(f"{found.damaged} damaged entries were passed over")
    return texts
