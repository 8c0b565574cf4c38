"""History as a picture for paper and screen: trends with their band, limits, and the times of alarms.

One panel for each value, above one another, so that what happened together stands together. Made for print:
dark lines on white, nothing that rests on colour alone.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from config.alarm_set import resolve_alarms
from config.site import Site
from daemon.history_output import Header, HistorySource, Wording
from daemon.journal.columns import Column
from daemon.model import AlarmState, AlarmTransition, EntryKind, Quality

if TYPE_CHECKING:
    from matplotlib.axes import Axes

POINTS = 1200
"""Bins of a picture: about two for each dot of a printed line."""
_INK, _BAND, _LIMIT, _ALARM, _GRID = "#12324f", "#b9cedf", "#a3210f", "#e8a33d", "#d7d7d7"
_HATCHES = ("", "///")


@dataclass(frozen=True, slots=True)
class Limit:
    """A set point of an alarm on a value [SI]."""

    value: float
    title: str
    rising: bool
    """Whether the alarm comes above it."""


@dataclass(frozen=True, slots=True)
class Span:
    """A time in which an alarm on a value stood [POSIX s]."""

    start: float
    end: float
    alarm: str


def draw(
    path: Path,
    stored: HistorySource,
    unit: str,
    heads: Sequence[Header],
    wording: Wording,
    span: tuple[float, float],
    width: float | None,
    site: Site | None,
) -> int:
    """Draw a picture; return how many bins hold something.

    Parameters
    ----------
    path : Path
        Where to; its ending says the format: ``.png``, ``.svg`` or ``.pdf``.
    stored : HistorySource
        The journal, or a database that holds the same.
    unit : str
        Name of the dehydration unit.
    heads : sequence of Header
        What, a panel each.
    wording : Wording
        Units and time zone.
    span : tuple of float
        From when to when [POSIX s].
    width : float, optional
        Width of a bin [s]; by default as fine as the picture shows.
    site : Site, optional
        Where limits and alarms come from.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    from matplotlib.figure import Figure  # noqa: PLC0415 - a second and 40 MB, only for those who ask

    width = width or bin_width(span[1] - span[0])
    columns = [head.column for head in heads]
    buckets = list(stored.buckets(unit, columns, *span, width, zone=wording.zone))
    limits, spans = ({}, {}) if site is None else _alarms(stored, site, unit, columns, span)
    figure = Figure(figsize=(10.0, 1.1 + 2.1 * len(heads)), layout="constrained", facecolor="white")
    panels = figure.subplots(len(heads), 1, sharex=True, squeeze=False)[:, 0]
    begins = np.array([bucket.start for bucket in buckets])
    for at, (head, axes) in enumerate(zip(heads, panels, strict=True)):
        statistics = [bucket.statistics[at] for bucket in buckets]
        _panel(axes, head, begins, statistics, width)
        _limits(axes, head, limits.get(head.column, ()))
        _spans(axes, spans.get(head.column, ()), span)
    _time_axis(panels[-1], span, wording.zone)
    title = wording.time(span[0])[:16].replace("T", " "), wording.time(span[1])[:16].replace("T", " ")
    figure.suptitle(f"{unit}   {title[0]} to {title[1]}", x=0.01, ha="left", fontsize=11, weight="bold")
    note = f"line: mean over {_words(width)}; band: lowest to highest; times: {wording.zone}"
    if any(one is not None and one.worst is Quality.BAD for bucket in buckets for one in bucket.statistics):
        note += "; red marks at the foot: bad quality"
    if any(spans.values()):
        note += "; shaded: alarm stood"
    figure.supxlabel(note, x=0.01, ha="left", fontsize=8, color="#555555")
    figure.savefig(path, dpi=160, metadata=_metadata(path))
    return len(buckets)


def bin_width(length: float) -> float:
    """Return a width of bins that a picture of a span has room for; whole minutes where it can be."""
    wanted = length / POINTS
    steps = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
    return next((step for step in steps if step >= wanted), 3600.0 * max(1, round(wanted / 3600.0)))


def _panel(
    axes: Axes,
    head: Header,
    begins: np.ndarray[Any, np.dtype[np.float64]],
    statistics: Sequence[Any],
    width: float,
) -> None:
    convert = head.unit.conversion.from_si
    middle = begins + width / 2

    def part(name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.array([
            np.nan if one is None or getattr(one, name) is None else convert(getattr(one, name))
            for one in statistics
        ])  # fmt: skip

    mean, low, high = part("mean"), part("minimum"), part("maximum")
    where, lines = _broken(middle, (mean, low, high), width)
    axes.fill_between(where, lines[1], lines[2], color=_BAND, linewidth=0, zorder=2)
    axes.plot(where, lines[0], color=_INK, linewidth=1.1, zorder=3)
    bad = [
        at for at, one in zip(middle, statistics, strict=True) if one is not None and one.worst is Quality.BAD
    ]
    if bad:
        axes.plot(
            bad, np.zeros(len(bad)), "|", color=_LIMIT, markersize=6, clip_on=False, zorder=4,
            transform=axes.get_xaxis_transform(),
        )  # fmt: skip
    if not np.isfinite(mean).any():
        axes.text(0.5, 0.5, "no usable value", transform=axes.transAxes, ha="center", color="#777777")
    axes.set_title(head.titled, loc="left", fontsize=9.5)
    axes.grid(visible=True, color=_GRID, linewidth=0.6, zorder=0)
    axes.tick_params(labelsize=8.5, length=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.margins(y=0.12)
    axes.ticklabel_format(axis="y", useOffset=False)


def _broken(
    time: np.ndarray[Any, np.dtype[np.float64]],
    lines: Sequence[np.ndarray[Any, np.dtype[np.float64]]],
    width: float,
) -> tuple[np.ndarray[Any, np.dtype[np.float64]], list[np.ndarray[Any, np.dtype[np.float64]]]]:
    """Put a hole into every gap, so that no line is drawn over a time of which nothing is known."""
    if len(time) < 2:
        return time, list(lines)
    steps = np.diff(time)
    gaps = np.flatnonzero(steps > 2.5 * max(width, float(np.median(steps)))) + 1
    return np.insert(time, gaps, time[gaps - 1] + width), [np.insert(line, gaps, np.nan) for line in lines]


def _limits(axes: Axes, head: Header, limits: Iterable[Limit]) -> None:
    """Draw the limits that are near; one that is far away would press the trend flat and is written only."""
    low, high = axes.get_ylim()
    reach = 2.0 * (high - low)
    near, far = [], []
    for limit in limits:
        value = head.unit.conversion.from_si(limit.value)
        if low - reach <= value <= high + reach:
            near.append((value, limit))
            axes.axhline(value, color=_LIMIT, linewidth=0.9, linestyle=(0, (6, 3)), zorder=2.5)
        else:
            far.append(_limit_words(head, limit))
    if far:
        axes.set_xlabel("off the scale: " + ", ".join(far), loc="right", fontsize=7, color=_LIMIT)
    low, high = axes.get_ylim()  # the lines may have widened it
    near.sort(key=lambda pair: pair[0])
    for at, (value, limit) in enumerate(near):
        crowded = at + 1 < len(near) and near[at + 1][0] - value < 0.1 * (high - low)
        axes.annotate(
            _limit_words(head, limit), (1.0, value),
            xycoords=axes.get_yaxis_transform(), xytext=(-2, -2 if crowded else 2),
            textcoords="offset points", ha="right", va="top" if crowded else "bottom", fontsize=7,
            color=_LIMIT, zorder=5, bbox={"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.4},
        )  # fmt: skip


def _limit_words(head: Header, limit: Limit) -> str:
    side = "\u25b2" if limit.rising else "\u25bc"  # the alarm comes above it, or below
    return f"{side} {limit.title} {head.unit.format(limit.value)}"


def _spans(axes: Axes, spans: Iterable[Span], shown: tuple[float, float]) -> None:
    names = sorted({one.alarm for one in spans})
    for one in spans:
        axes.axvspan(
            max(one.start, shown[0]), min(one.end, shown[1]), facecolor=_ALARM, alpha=0.30, zorder=1,
            edgecolor="#9a6a1b", linewidth=0, hatch=_HATCHES[names.index(one.alarm) % 2],
        )  # fmt: skip
    if names:
        axes.set_title("shaded: " + ", ".join(names), loc="right", fontsize=7.5, color="#8a5a10")


def _alarms(
    stored: HistorySource, site: Site, unit: str, columns: Sequence[Column], span: tuple[float, float]
) -> tuple[Mapping[Column, list[Limit]], Mapping[Column, list[Span]]]:
    """Find set points and standing times of the alarms on each column."""
    configured = next((one for one in site.units if one.name == unit), None)
    if configured is None:
        return {}, {}
    limits: dict[Column, list[Limit]] = {}
    of_alarm: dict[str, Column] = {}
    for alarm in resolve_alarms(site, configured).alarms:
        if alarm.source == "link":
            continue
        column = Column(alarm.source, alarm.input)
        if column not in columns:
            continue
        of_alarm[alarm.id] = column
        if alarm.setpoint is not None and not alarm.setpoint.reference and alarm.condition in {"high", "low"}:
            limit = Limit(alarm.setpoint.offset, alarm.title, alarm.condition == "high")
            limits.setdefault(column, []).append(limit)
    spans: dict[Column, list[Span]] = {}
    for alarm_id, one in _standing(stored, unit, frozenset(of_alarm), span):
        spans.setdefault(of_alarm[alarm_id], []).append(one)
    return limits, spans


_STANDING = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED,
     AlarmState.LATCHED_ACKNOWLEDGED}
)  # fmt: skip
_BEFORE = 7 * 86400.0
"""How far back an alarm is looked for that stands at the beginning of the picture [s]."""


def _standing(
    stored: HistorySource, unit: str, alarms: frozenset[str], span: tuple[float, float]
) -> Iterable[tuple[str, Span]]:
    since: dict[str, float] = {}
    found: list[tuple[str, Span]] = []
    for entry in stored.records(span[0] - _BEFORE, span[1], kinds={EntryKind.ALARM}, unit=unit):
        step = entry.body
        if not isinstance(step, AlarmTransition) or step.alarm not in alarms:
            continue
        if step.state in _STANDING:
            since.setdefault(step.alarm, entry.time)
        elif (start := since.pop(step.alarm, None)) is not None and entry.time > span[0]:
            found.append((step.alarm, Span(start, entry.time, step.alarm)))
    found += [(alarm, Span(start, span[1], alarm)) for alarm, start in since.items()]
    return found


def _time_axis(axes: Axes, span: tuple[float, float], zone: datetime.tzinfo) -> None:
    """Label times of day in the zone, also over a change of the clocks: ticks are set by the wall."""
    length = span[1] - span[0]
    hours = next((step for step in (0.25, 0.5, 1, 2, 3, 6, 12) if length / 3600 / step <= 10), None)
    day = datetime.datetime.fromtimestamp(span[0], zone).replace(hour=0, minute=0, second=0, microsecond=0)
    days = max(1, round(length / 86400 / 10)) if hours is None else 1
    ticks, labels, before = [], [], ""
    while day.timestamp() <= span[1]:
        for count in range(1 if hours is None else round(24 / hours)):
            wall = day.replace(tzinfo=None) + datetime.timedelta(hours=count * (hours or 0))
            at = wall.replace(tzinfo=zone).timestamp()
            if span[0] <= at <= span[1]:
                date = wall.strftime("%d %b")
                clock = "" if hours is None else wall.strftime("%H:%M")
                labels.append("\n".join(filter(None, (clock, date if date != before else ""))))
                ticks.append(at)
                before = date
        day = (day.replace(tzinfo=None) + datetime.timedelta(days=days)).replace(tzinfo=zone)
    if not ticks:  # less than a quarter of an hour
        ticks = list(np.linspace(*span, 5))
        labels = [datetime.datetime.fromtimestamp(at, zone).strftime("%H:%M:%S") for at in ticks]
    axes.set_xticks(ticks, labels)
    axes.set_xlim(*span)


def _words(seconds: float) -> str:
    for size, name in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {name}"
    return f"{seconds:g} s"


def _metadata(path: Path) -> dict[str, Any] | None:
    """Leave the date out of the file, so that the same question gives the same picture."""
    return {"Date": None} if path.suffix == ".svg" else None
