"""All alarms of one unit: scans and operator actions in, transitions out. Pure: same inputs, same output.

One evaluation runs in two passes. The first looks at every input, runs every delay and then asks every
suppression rule, without changing a life. The second carries out what is due, alarm by alarm in the order
of the configuration: a condition that is gone, shelving that expires, suppression that begins or ends, a
condition that is true, the repetition of an unresolved alarm of the highest priority. So an alarm that comes
out of hiding with its condition gone stays quiet, a rule that suppresses an alarm in the very scan in which
its condition becomes true keeps it quiet, and alarms that come together can be ranked before any is sent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from pydantic import TypeAdapter

from config.alarms import ResolvedAlarm
from daemon.model import (
    NO_LONGER_CONFIGURED,
    ActionKind,
    AlarmState,
    AlarmTransition,
    LikelyCause,
    OperatorAction,
    Priority,
)
from daemon.monitor.alarms import actions, lifecycle, messages
from daemon.monitor.alarms.actions import ActionRefusedError, Refusal
from daemon.monitor.alarms.conditions import AlarmInputs, Position
from daemon.monitor.alarms.first_out import FirstOut, Rank
from daemon.monitor.alarms.first_out import Sequence as FirstOutSequence
from daemon.monitor.alarms.lifecycle import LifeEvent
from daemon.monitor.alarms.messages import ValueFormatter
from daemon.monitor.alarms.record import (
    Acknowledgement,
    AlarmRecord,
    AlarmSnapshot,
    SavedAlarm,
    Shelf,
    about_process,
)

_VERSION = 1
CAUSES_TOLD = 3
"""A transition carries at most so many likely causes; the list of alarms shows all."""


class Departure(NamedTuple):
    """Why alarms that stood are no longer configured, and who took them away; empty where nobody knows."""

    reason: str
    actor: str = ""


NOT_CONFIGURED = Departure("the configuration that was loaded has no such alarm")


def _no_diagnosis() -> tuple[LikelyCause, ...]:
    return ()


@dataclass(frozen=True, slots=True)
class _SavedEngine:
    version: int
    time: float
    counter: int
    alarms: dict[str, SavedAlarm]
    first_out: dict[str, FirstOutSequence] = field(default_factory=dict)


_SAVED = TypeAdapter(_SavedEngine)


@dataclass(slots=True)
class _Due:
    """What the second pass has to do for one alarm."""

    record: AlarmRecord
    expired: bool
    suppression: str
    changed: bool
    repeat: bool


class AlarmEngine:
    """The alarms of one unit.

    Parameters
    ----------
    unit : str
        Name of the unit; part of every occurrence id.
    alarms : sequence of ResolvedAlarm
        The unit's alarms (``config.alarm_set.resolve_alarms``).
    write : callable
        ``write(quantity, si)`` writes a value with its unit as the site shows it.
    diagnose : callable, optional
        Returns what would explain what moves on the unit at present, the likeliest first; asked only where
        an occurrence of an alarm about the process begins.
    """

    def __init__(
        self,
        unit: str,
        alarms: Sequence[ResolvedAlarm],
        write: ValueFormatter,
        diagnose: Callable[[], tuple[LikelyCause, ...]] = _no_diagnosis,
    ) -> None:
        self._unit = unit
        self._write = write
        self._diagnose = diagnose
        self._records = {alarm.id: AlarmRecord(alarm) for alarm in alarms}
        if len(self._records) != len(alarms):
            raise ValueError(f"two alarms of {unit} have the same id")
        self._process = [record for record in self._records.values() if about_process(record.alarm)]
        self._first_out = FirstOut()
        self._counter = 0
        self._time = 0.0
        self._monotonic = 0.0

    def evaluate(self, inputs: AlarmInputs) -> tuple[AlarmTransition, ...]:
        """Judge every alarm at one instant and return what changed, in order.

        ``inputs.monotonic`` must not run backwards between two calls.
        """
        self._time, self._monotonic = inputs.time, inputs.monotonic
        changes = [(record, record.look(inputs)) for record in self._records.values()]
        due = [
            item
            for record, changed in changes
            if (item := self._judge(record, inputs, changed=changed)) is not None
        ]
        if not due:
            return ()
        ranks = self._rank(due)
        transitions: list[AlarmTransition] = []
        for item in due:
            self._carry_out(item, ranks.get(item.record.alarm.id), transitions)
        return tuple(transitions)

    def apply(self, action: OperatorAction) -> tuple[AlarmTransition, ...]:
        """Carry out an operator's request; an empty tuple means that it had been carried out already.

        Raises
        ------
        ActionRefusedError
            With the reason as a ``Refusal`` and in words; nothing was changed.
        """
        record = self._records.get(action.alarm)
        if action.unit != self._unit or record is None:
            raise ActionRefusedError(Refusal.UNKNOWN_ALARM, f"{action.unit} has no alarm {action.alarm}")
        event = actions.judge(record, action)
        if event is None:
            return ()
        self._time, self._monotonic = action.time, action.monotonic
        renewed = event is LifeEvent.SHELVED and record.life.shelved
        detail = self._note(record, action)
        return (self._step(record, event, reason=detail, action=action, keep=renewed),)

    @property
    def quiet(self) -> bool:
        """Whether no alarm about the process has its condition true."""
        return not any(record.detector.active for record in self._process)

    def active(self) -> tuple[AlarmSnapshot, ...]:
        """Return every alarm that is not normal, the most important first, then the newest."""
        shown = [
            self._snapshot(record)
            for record in self._records.values()
            if record.life.state is not AlarmState.NORMAL
        ]
        shown.sort(
            key=lambda item: (
                not item.state.annunciated,
                -Priority(item.alarm.priority).severity,
                -(item.raised or 0.0),
            )
        )
        return tuple(shown)

    def snapshot(self) -> tuple[AlarmSnapshot, ...]:
        """Return every alarm of the unit in the order of the configuration."""
        return tuple(self._snapshot(record) for record in self._records.values())

    def save(self) -> dict[str, object]:
        """Return what a restart needs, as plain JSON types; alarms in their first state are left out."""
        untouched = SavedAlarm()
        saved = {name: record.save(self._monotonic) for name, record in self._records.items()}
        engine = _SavedEngine(
            version=_VERSION,
            time=self._time,
            counter=self._counter,
            alarms={name: alarm for name, alarm in saved.items() if alarm != untouched},
            first_out=dict(self._first_out.sequences),
        )
        dumped: dict[str, object] = _SAVED.dump_python(engine, mode="json", exclude_defaults=True)
        return dumped

    def restore(
        self,
        saved: Mapping[str, object],
        *,
        time: float,
        monotonic: float,
        departure: Departure = NOT_CONFIGURED,
    ) -> tuple[AlarmTransition, ...]:
        """Go on from ``save()``, at ``time`` [POSIX s UTC] and ``monotonic`` [s] of this run.

        Delays go on from where they stood; of a shelving's UTC deadline and its remaining seconds the
        earlier counts. Returned are the ends of alarms that were under way and are no longer configured, with
        the reason that ``departure`` gives.

        Raises
        ------
        ValueError
            ``saved`` is not what ``save()`` made; nothing was changed.
        """
        engine = _read(saved)
        self._time, self._monotonic, self._counter = time, monotonic, engine.counter
        self._first_out.sequences = dict(engine.first_out)
        downtime = max(0.0, time - engine.time)
        ends: list[AlarmTransition] = []
        for name, alarm in engine.alarms.items():
            record = self._records.get(name)
            if record is not None:
                record.resume(alarm, now=monotonic, time=time, downtime=downtime)
            elif alarm.life.state is not AlarmState.NORMAL:
                ends.append(_end(self._unit, name, alarm, time, departure))
        return tuple(ends)

    def _judge(self, record: AlarmRecord, inputs: AlarmInputs, *, changed: bool) -> _Due | None:
        alarm, life, now = record.alarm, record.life, inputs.monotonic
        suppression = record.rule.reason(inputs.state, now)
        if not suppression and alarm.suppressed_by:
            suppression = self._explained(alarm)
        if not suppression and alarm.quality_policy == "suppress" and record.seen.value is None:
            suppression = record.seen.why
        if life.suppressed and suppression:
            record.suppression = suppression  # the newest reason, also where one takes over from another
        shelf, gone = record.shelf, changed and not record.detector.active
        expired = shelf is not None and (now >= shelf.until_monotonic or (shelf.until_return and gone))
        repeat = (
            alarm.re_alarm is not None
            and life.shown in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
            and now - record.annunciated_at >= alarm.re_alarm
        )
        if changed or expired or repeat or bool(suppression) is not life.suppressed:
            return _Due(record, expired, suppression, changed, repeat)
        return None

    def _explained(self, alarm: ResolvedAlarm) -> str:
        """Say which alarm explains this one at present; empty when none does."""
        for name in alarm.suppressed_by:
            cause = self._records.get(name)
            if cause is not None and cause.detector.active and not cause.life.hidden:
                return f"explained by {name}"
        return ""

    def _rank(self, due: list[_Due]) -> dict[str, Rank]:
        groups: dict[str, list[tuple[float, str]]] = {}
        for item in due:
            record, life = item.record, item.record.life
            hidden = life.out_of_service or item.suppression or (life.shelved and not item.expired)
            if record.alarm.first_out_group and item.changed and record.detector.active and not hidden:
                group = groups.setdefault(record.alarm.first_out_group, [])
                group.append((record.detector.began, record.alarm.id))
        ranks: dict[str, Rank] = {}
        for name, raised in groups.items():
            ranks |= self._first_out.rank(name, raised)
        return ranks

    def _carry_out(self, item: _Due, rank: Rank | None, transitions: list[AlarmTransition]) -> None:
        record, now = item.record, self._monotonic
        if item.changed and not record.detector.active:
            event = LifeEvent.RETURNED if record.alarm.ack_required else LifeEvent.CLEARED
            event = LifeEvent.LATCHED if record.alarm.latching else event
            held = f"for {record.alarm.off_delay:g} s" if record.alarm.off_delay else "at once"
            transitions.append(self._step(record, event, reason=f"condition false {held}"))
        if item.expired:
            over = record.shelf is not None and now >= record.shelf.until_monotonic
            record.shelf = None
            reason = "shelving time is over" if over else "the condition is gone, until then it was shelved"
            transitions.append(self._step(record, LifeEvent.UNSHELVED, reason=reason))
        if bool(item.suppression) is not record.life.suppressed:
            ended, record.suppression = record.suppression, item.suppression
            event = LifeEvent.SUPPRESSED if item.suppression else LifeEvent.UNSUPPRESSED
            reason = item.suppression or f"no longer {ended}"
            transitions.append(self._step(record, event, reason=reason))
        if item.changed and record.detector.active:
            held = f"for {record.alarm.on_delay:g} s" if record.alarm.on_delay else "at once"
            reason = f"condition true {held}" + (f"; {rank.note}" if rank else "")
            record.first_out = rank is not None and rank.first
            transitions.append(self._step(record, LifeEvent.RAISED, reason=reason))
        elif item.repeat and record.life.shown in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}:
            reason = f"not resolved for {record.alarm.re_alarm:g} s; repeats {record.occurrence}"
            transitions.append(self._step(record, LifeEvent.RE_ALARMED, reason=reason))

    def _note(self, record: AlarmRecord, action: OperatorAction) -> str:
        """Write down what an accepted request adds to the record; return it in words."""
        match action.kind:
            case ActionKind.ACKNOWLEDGE:
                record.acknowledgement = Acknowledgement(
                    action.occurrence, action.actor, action.time, action.comment
                )
            case ActionKind.SHELVE:
                duration = actions.shelving_duration(record, action)
                record.shelf = Shelf(
                    action.time + duration,
                    action.monotonic + duration,
                    action.actor,
                    action.comment,
                    action.until_return,
                )
                until = "until its condition is gone, " if action.until_return else ""
                longest = " at most" if action.until_return else ""
                return f"{until}for {messages.duration_words(duration)}{longest} by {action.actor}"
            case ActionKind.UNSHELVE:
                record.shelf = None
            case ActionKind.REMOVE_FROM_SERVICE:
                record.service_note = f"{action.actor}: {action.comment}"
            case ActionKind.RETURN_TO_SERVICE:
                record.service_note = ""
        return f"by {action.actor}"

    def _step(
        self,
        record: AlarmRecord,
        event: LifeEvent,
        *,
        reason: str,
        action: OperatorAction | None = None,
        keep: bool = False,
    ) -> AlarmTransition:
        """Take one step of one life; ``keep`` records an action that renews what is so already."""
        before = record.life
        record.life = after = before if keep else lifecycle.step(before, event)
        ended = record.occurrence
        causes: tuple[LikelyCause, ...] = ()
        if lifecycle.is_new_occurrence(before, event, after):
            causes = self._diagnose()[:CAUSES_TOLD] if about_process(record.alarm) else ()
            self._counter += 1
            record.occurrence = f"{self._unit}.{record.alarm.id}.{int(self._time * 1000)}.{self._counter}"
            record.raised, record.annunciated_at = self._time, self._monotonic
        elif after.shown is AlarmState.NORMAL:
            record.occurrence = ""
            record.first_out = False
        return AlarmTransition(
            unit=self._unit,
            alarm=record.alarm.id,
            occurrence=record.occurrence or ended,
            previous=before.state,
            state=after.state,
            event=event.value,
            time=self._time,
            priority=Priority(record.alarm.priority),
            message=messages.message(record.alarm, event, record.seen, self._write),
            reason=reason,
            value=record.seen.value,
            setpoint=record.seen.setpoint,
            quantity=record.alarm.setpoint_quantity.value,
            actor=action.actor if action else "",
            comment=action.comment if action else "",
            first_out=record.first_out and event is LifeEvent.RAISED,
            alarm_class=record.alarm.alarm_class,
            causes=causes,
        )

    def _snapshot(self, record: AlarmRecord) -> AlarmSnapshot:
        seen = record.seen
        said = messages.situation(record.alarm, seen, self._write, standing=record.life.condition)
        return AlarmSnapshot(
            alarm=record.alarm,
            state=record.life.state,
            condition=record.life.condition,
            occurrence=record.occurrence,
            raised=record.raised if record.occurrence else None,
            message=f"{record.alarm.title}: {said}",
            value=seen.value,
            setpoint=seen.setpoint,
            acknowledgement=record.acknowledged_now,
            shelf=record.shelf,
            suppression=record.suppression,
            service_note=record.service_note,
            held=seen.why if seen.position is Position.UNKNOWN else "",
            first_out=record.first_out,
        )


def check_saved(saved: Mapping[str, object]) -> None:
    """See that saved alarms can be read.

    Raises
    ------
    ValueError
        They are not what ``AlarmEngine.save`` made, or of a version that this program does not know.
    """
    _read(saved)


def _read(saved: Mapping[str, object]) -> _SavedEngine:
    engine = _SAVED.validate_python(saved)
    if engine.version != _VERSION:
        raise ValueError(f"saved alarms are of version {engine.version}, this program knows {_VERSION}")
    return engine


def departed(
    unit: str, saved: Mapping[str, object], time: float, departure: Departure
) -> tuple[tuple[AlarmTransition, ...], dict[str, object]]:
    """End every alarm of a unit that is no longer configured, from what ``save()`` made.

    Returns
    -------
    tuple
        The ends, and the saved alarms without them: what the unit goes on from if it comes back.

    Raises
    ------
    ValueError
        ``saved`` is not what ``save()`` made.
    """
    engine = _read(saved)
    ends = tuple(
        _end(unit, name, alarm, time, departure)
        for name, alarm in engine.alarms.items()
        if alarm.life.state is not AlarmState.NORMAL
    )
    emptied: dict[str, object] = _SAVED.dump_python(
        replace(engine, alarms={}, first_out={}), mode="json", exclude_defaults=True
    )
    return ends, emptied


def _end(unit: str, name: str, alarm: SavedAlarm, time: float, departure: Departure) -> AlarmTransition:
    return AlarmTransition(
        unit=unit,
        alarm=name,
        occurrence=alarm.occurrence,
        previous=alarm.life.state,
        state=AlarmState.NORMAL,
        event=NO_LONGER_CONFIGURED,
        time=time,
        priority=Priority(alarm.priority),
        message=f"{alarm.title or name}: no longer configured",
        reason=departure.reason,
        actor=departure.actor,
        alarm_class=alarm.alarm_class,
    )
