"""How well the alarms serve their operator: the figures of the standard, from recorded transitions.

Targets and limits are those of ANSI/ISA-18.2-2016, clause 16 and tables 5 and 6 (seen through secondary
sources), which ask for at least 30 days; chattering is more than three annunciations within a minute
(attributed to ISA-18.2-2009). The standard names no length for a fleeting alarm; ours is 10 s.
An annunciation is an entry into *unacknowledged*: what stays behind a shelf or a suppression is not counted.
"""

from __future__ import annotations

import enum
import math
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daemon.model import AlarmState, AlarmTransition, Priority
from daemon.monitor.alarms import flood
from daemon.monitor.alarms.lifecycle import LifeEvent

CHATTERING = (3, 60.0)
"""More annunciations than this within this time [s] is chattering."""
FLEETING = 10.0
"""A condition that is gone sooner than this is fleeting [s]."""
STALE = 86400.0
"""A condition that has been true for longer than this is stale [s]."""
ENOUGH = 100
"""Shares of fewer annunciations than this say nothing."""
LONG_ENOUGH = 30 * 86400.0
"""The standard judges at least thirty days [s]."""

AlarmKey = tuple[str, str]
"""Unit and alarm."""


@dataclass(frozen=True, slots=True)
class Flood:
    """More alarms than an operator can take in: begin and end [POSIX s], and how many came."""

    begin: float
    end: float
    annunciations: int


@dataclass(frozen=True, slots=True)
class AlarmPerformance:
    """The figures of one period.

    Times are POSIX seconds. ``per_period`` is the mean number of annunciations in ten minutes, ``busiest``
    the largest. ``stale`` holds the alarms that had been true for more than a day, with the longest time
    [s]; ``most_stale`` is the largest number of them on one day. Shares are from 0 to 1.
    """

    begin: float
    end: float
    annunciations: int
    per_period: float
    busiest: int
    share_of_busy_periods: float
    floods: tuple[Flood, ...]
    share_of_time_in_flood: float
    top: tuple[tuple[AlarmKey, int], ...]
    share_of_top: float
    chattering: tuple[AlarmKey, ...]
    fleeting: Mapping[AlarmKey, int]
    stale: Mapping[AlarmKey, float]
    most_stale: int
    by_priority: Mapping[Priority, int]

    @property
    def long_enough(self) -> bool:
        """Whether the period is as long as the standard asks for its verdicts."""
        return self.end - self.begin >= LONG_ENOUGH

    @property
    def per_hour(self) -> float:
        """Mean number of annunciations in an hour."""
        return self.per_period * 3600.0 / flood.WINDOW

    @property
    def per_day(self) -> float:
        """Mean number of annunciations in a day."""
        return self.per_period * 86400.0 / flood.WINDOW


class Judgement(enum.StrEnum):
    """How a figure stands to the standard's target."""

    MET = "met"
    MANAGEABLE = "above target, below limit"
    MISSED = "missed"
    TOO_FEW = "too few alarms to judge"


@dataclass(frozen=True, slots=True)
class Verdict:
    """One figure beside its target."""

    figure: str
    value: float
    target: str
    judgement: Judgement


def performance(transitions: Iterable[AlarmTransition], begin: float, end: float) -> AlarmPerformance:
    """Work out the figures of the time from ``begin`` to ``end`` [POSIX s].

    Parameters
    ----------
    transitions : iterable of AlarmTransition
        In the order in which they happened; those before ``begin`` only tell what was true then, those
        after ``end`` are left out.

    Raises
    ------
    ValueError
        ``end`` is not after ``begin``.
    """
    if not end > begin:
        raise ValueError(f"a period from {begin} to {end} has no length")
    known = [step for step in transitions if step.time <= end]
    shown = [step for step in known if _annunciates(step) and step.time >= begin]
    times = [step.time for step in shown]
    counts = _counts(times, begin, end)
    floods = _floods(counts, begin, end)
    by_alarm = Counter((step.unit, step.alarm) for step in shown)
    top = tuple(by_alarm.most_common(10))
    active = _active(known, end)
    stale = _stale(active, begin, end)
    return AlarmPerformance(
        begin=begin,
        end=end,
        annunciations=len(shown),
        per_period=len(shown) * flood.WINDOW / (end - begin),
        busiest=max(counts),
        share_of_busy_periods=sum(count > flood.BEGINS for count in counts) / len(counts),
        floods=floods,
        share_of_time_in_flood=sum(one.end - one.begin for one in floods) / (end - begin),
        top=top,
        share_of_top=sum(count for _, count in top) / len(shown) if shown else 0.0,
        chattering=_chattering(shown),
        fleeting=Counter(
            key for key, first, last, over in active if over and last - first < FLEETING and first >= begin
        ),
        stale=stale,
        most_stale=_most_stale(active, begin, end),
        by_priority=Counter(step.priority for step in shown),
    )


def verdicts(figures: AlarmPerformance) -> tuple[Verdict, ...]:
    """Return every figure beside the target of ISA-18.2 (tables 5 and 6, clause 16.4)."""
    enough = figures.annunciations >= ENOUGH
    shares = {
        priority: figures.by_priority.get(priority, 0) / max(figures.annunciations, 1)
        for priority in Priority
    }
    nuisances = len(figures.chattering) + len(figures.fleeting)
    return (
        _rate("per 10 min", figures.per_period, 1.0, 2.0),
        _rate("per hour", figures.per_hour, 6.0, 12.0),
        _rate("per day", figures.per_day, 144.0, 288.0),
        _below("most in 10 min", figures.busiest, 10.0, "at most 10"),
        _below("periods with more than 10", figures.share_of_busy_periods, 0.01, "below 1 %"),
        _below("time in flood", figures.share_of_time_in_flood, 0.01, "below 1 %"),
        _below("share of the ten most frequent", figures.share_of_top, 0.05, "1 to 5 %", enough=enough),
        _below("chattering and fleeting alarms", nuisances, 0.0, "none"),
        _below("stale alarms on any day", figures.most_stale, 4.0, "below 5"),
        _below("priority medium", shares[Priority.MEDIUM], 0.15, "about 15 %", enough=enough),
        _below("priority high", shares[Priority.HIGH], 0.05, "about 5 %", enough=enough),
        _below("priority highest", shares[Priority.HIGHEST], 0.01, "below 1 %", enough=enough),
    )


def _annunciates(step: AlarmTransition) -> bool:
    return step.state is AlarmState.UNACKNOWLEDGED and (
        step.previous is not AlarmState.UNACKNOWLEDGED or step.event == LifeEvent.RE_ALARMED
    )


def _rate(figure: str, value: float, target: float, limit: float) -> Verdict:
    judgement = (
        Judgement.MET if value <= target else Judgement.MANAGEABLE if value <= limit else Judgement.MISSED
    )
    return Verdict(figure, value, f"about {target:g}, at most {limit:g}", judgement)


def _below(figure: str, value: float, most: float, target: str, *, enough: bool = True) -> Verdict:
    if not enough:
        return Verdict(figure, value, target, Judgement.TOO_FEW)
    return Verdict(figure, value, target, Judgement.MET if value <= most else Judgement.MISSED)


def _counts(times: Sequence[float], begin: float, end: float) -> list[int]:
    counts = [0] * math.ceil((end - begin) / flood.WINDOW)
    for time in times:
        counts[min(int((time - begin) / flood.WINDOW), len(counts) - 1)] += 1
    return counts


def _floods(counts: Sequence[int], begin: float, end: float) -> tuple[Flood, ...]:
    floods: list[Flood] = []
    first, total = -1, 0
    for index, count in enumerate(counts):
        if first < 0 and count > flood.BEGINS:
            first, total = index, 0
        elif first >= 0 and count < flood.ENDS:
            floods.append(Flood(begin + first * flood.WINDOW, begin + index * flood.WINDOW, total))
            first = -1
        total += count
    if first >= 0:
        floods.append(Flood(begin + first * flood.WINDOW, end, total))
    return tuple(floods)


def _chattering(shown: Sequence[AlarmTransition]) -> tuple[AlarmKey, ...]:
    most, within = CHATTERING
    recent: dict[AlarmKey, deque[float]] = {}
    found: dict[AlarmKey, None] = {}
    for step in shown:
        key = (step.unit, step.alarm)
        times = recent.setdefault(key, deque(maxlen=most + 1))
        times.append(step.time)
        if len(times) > most and times[-1] - times[0] <= within:
            found[key] = None
    return tuple(found)


_CONDITION_TRUE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})


def _active(known: Sequence[AlarmTransition], end: float) -> list[tuple[AlarmKey, float, float, bool]]:
    """Return when each alarm was shown with its condition true: key, from, to, and whether it was over."""
    spans: list[tuple[AlarmKey, float, float, bool]] = []
    since: dict[AlarmKey, float] = {}
    for step in known:
        key = (step.unit, step.alarm)
        if step.state in _CONDITION_TRUE:
            since.setdefault(key, step.time)
        elif key in since:
            spans.append((key, since.pop(key), step.time, True))
    spans.extend((key, first, end, False) for key, first in since.items())
    return spans


def _stale(
    active: Sequence[tuple[AlarmKey, float, float, bool]], begin: float, end: float
) -> dict[AlarmKey, float]:
    longest: dict[AlarmKey, float] = {}
    for key, first, last, _ in active:
        if last - first > STALE and last > begin and first < end:
            longest[key] = max(longest.get(key, 0.0), last - first)
    return longest


def _most_stale(active: Sequence[tuple[AlarmKey, float, float, bool]], begin: float, end: float) -> int:
    days = [0] * math.ceil((end - begin) / 86400.0)
    for day in range(len(days)):
        dawn, dusk = begin + day * 86400.0, begin + (day + 1) * 86400.0
        stale = {key for key, first, last, _ in active if first + STALE < min(last, dusk) and last > dawn}
        days[day] = len(stale)
    return max(days)
