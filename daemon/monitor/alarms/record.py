"""One alarm of one unit while the daemon runs, and how it is kept between two runs."""

from __future__ import annotations

from dataclasses import dataclass, field

from config.alarms import ResolvedAlarm
from daemon.model import AlarmState, LikelyCause
from daemon.monitor.alarms.conditions import AlarmInputs, Detector, Observation, Position, Watch
from daemon.monitor.alarms.lifecycle import Life
from daemon.monitor.alarms.suppression import SavedRule, StateRule


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Who acknowledged which occurrence, when [POSIX s UTC] and with what comment."""

    occurrence: str
    actor: str
    time: float
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Shelf:
    """Shelving under way: until when by both clocks (POSIX s UTC, monotonic s), by whom and why.

    ``until_return``: it ends before that when the condition is gone (one-shot shelving of OPC 10000-9).
    """

    until: float
    until_monotonic: float
    actor: str
    comment: str
    until_return: bool = False


@dataclass(frozen=True, slots=True)
class SavedShelf:
    """Shelving between two runs: the UTC deadline and the seconds that were left; the earlier one counts."""

    until: float
    remaining: float
    actor: str
    comment: str
    until_return: bool = False


@dataclass(frozen=True, slots=True)
class SavedAlarm:
    """One alarm between two runs; every time that runs is kept as seconds elapsed."""

    life: Life = field(default_factory=Life)
    pending: float | None = None
    began: float = 0.0
    occurrence: str = ""
    raised: float = 0.0
    annunciated_for: float = 0.0
    acknowledgement: Acknowledgement | None = None
    shelf: SavedShelf | None = None
    suppression: str = ""
    service_note: str = ""
    first_out: bool = False
    rule: SavedRule = field(default_factory=SavedRule)
    samples: tuple[tuple[float, float], ...] = ()
    priority: str = "low"
    alarm_class: str = ""
    title: str = ""


@dataclass(frozen=True, slots=True)
class AlarmSnapshot:
    """One alarm as a list shows it.

    Times are POSIX seconds UTC, values SI. ``held`` says why the condition cannot be judged at the moment;
    empty when it can. ``diagnosis`` holds the known faults that would explain what moves, the likeliest
    first; empty where nothing tells.
    """

    alarm: ResolvedAlarm
    state: AlarmState
    condition: bool
    occurrence: str
    raised: float | None
    message: str
    value: float | None
    setpoint: float | None
    acknowledgement: Acknowledgement | None
    shelf: Shelf | None
    suppression: str
    service_note: str
    held: str
    first_out: bool
    diagnosis: tuple[LikelyCause, ...] = ()

    @property
    def about_process(self) -> bool:
        """Whether it tells of the process, not of an instrument, a link or this program."""
        return about_process(self.alarm)


def about_process(alarm: ResolvedAlarm) -> bool:
    """Whether an alarm tells of the process, not of an instrument, a link or this program."""
    return alarm.alarm_class not in {"instrument", "system"}


class AlarmRecord:
    """Everything that changes about one alarm."""

    __slots__ = (
        "acknowledgement",
        "alarm",
        "annunciated_at",
        "detector",
        "first_out",
        "life",
        "occurrence",
        "raised",
        "rule",
        "seen",
        "service_note",
        "shelf",
        "suppression",
        "watch",
    )

    def __init__(self, alarm: ResolvedAlarm) -> None:
        self.alarm = alarm
        self.watch = Watch(alarm)
        self.detector = Detector()
        self.rule = StateRule(alarm)
        self.life = Life()
        self.seen = Observation(Position.UNKNOWN, None, None, 0.0, "not evaluated yet")
        self.occurrence = ""
        self.raised = 0.0
        self.annunciated_at = 0.0
        self.acknowledgement: Acknowledgement | None = None
        self.shelf: Shelf | None = None
        self.suppression = ""
        self.service_note = ""
        self.first_out = False

    def look(self, inputs: AlarmInputs) -> bool:
        """Look at the input and run the delays; return whether the condition changed."""
        alarm = self.alarm
        self.seen = self.watch.look(inputs)
        return self.detector.update(self.seen, inputs.monotonic, alarm.on_delay, alarm.off_delay)

    @property
    def acknowledged_now(self) -> Acknowledgement | None:
        """The acknowledgement of the occurrence under way."""
        known = self.acknowledgement
        return known if known is not None and known.occurrence == self.occurrence else None

    def save(self, now: float) -> SavedAlarm:
        """Return what a restart needs, at monotonic time ``now``."""
        shelf = self.shelf
        window = self.watch.window
        stands = self.life.state is not AlarmState.NORMAL
        return SavedAlarm(
            life=self.life,
            pending=self.detector.pending,
            began=self.detector.began,
            occurrence=self.occurrence,
            raised=self.raised,
            annunciated_for=now - self.annunciated_at if self.occurrence else 0.0,
            acknowledgement=self.acknowledgement,
            shelf=None
            if shelf is None
            else SavedShelf(
                shelf.until, shelf.until_monotonic - now, shelf.actor, shelf.comment, shelf.until_return
            ),
            suppression=self.suppression,
            service_note=self.service_note,
            first_out=self.first_out,
            rule=self.rule.save(),
            samples=() if window is None else window.ages(now),
            priority=self.alarm.priority if stands else "low",
            alarm_class=self.alarm.alarm_class if stands else "",
            title=self.alarm.title if stands else "",
        )

    def resume(self, saved: SavedAlarm, *, now: float, time: float, downtime: float) -> None:
        """Go on from saved values at monotonic time ``now``, UTC ``time``, after ``downtime`` seconds."""
        self.life = saved.life
        self.detector.resume(active=saved.life.condition, pending=saved.pending, began=saved.began, now=now)
        self.occurrence = saved.occurrence
        self.raised = saved.raised
        self.annunciated_at = now - saved.annunciated_for - downtime
        self.acknowledgement = saved.acknowledgement
        if saved.shelf is not None:
            left = min(saved.shelf.remaining, saved.shelf.until - time)
            kept = saved.shelf
            self.shelf = Shelf(time + left, now + left, kept.actor, kept.comment, kept.until_return)
        self.suppression = saved.suppression
        self.service_note = saved.service_note
        self.first_out = saved.first_out
        self.rule.resume(saved.rule, now)
        if self.watch.window is not None:
            self.watch.window.resume(saved.samples, now, downtime)
