"""Plots as inline SVG: trends with their spread, limits and alarm times; histograms. Pure text, no scripts.

Made for paper first: dark lines on white, thin grids, numbers at a size that survives printing, differences
that do not rest on colour alone (a second line is dashed). How a thing looks stands at the thing itself: not
everything that turns a page into paper looks into the page's style sheet for the inside of a drawing.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Scale = Callable[[float], float]

WIDTH, HEIGHT = 720.0, 160.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 54.0, 8.0, 12.0, 22.0
_WRITING = 'font-family="DejaVu Sans, Arial, sans-serif" font-size="10" fill="#46535f"'
_GRID = 'stroke="#e1e6ea" stroke-width="0.7"'
_MARK = 'stroke="#b3261e" stroke-width="0.9" stroke-dasharray="5 3"'
_MARKED = 'fill="#8a1c16"'
_HALO = 'fill="none" stroke="#ffffff" stroke-width="3" stroke-linejoin="round"'
_ALARM, _BAR, _SPREAD = 'fill="#b3261e"', 'fill="#3d7299"', 'fill="#12507b" fill-opacity="0.17"'
_LINES = (
    'fill="none" stroke="#12507b" stroke-width="1.5" stroke-linejoin="round" stroke-linecap="round"',
    'fill="none" stroke="#c26a00" stroke-width="1.5" stroke-linejoin="round" stroke-dasharray="4 2.5"',
)
_STEPS = (3600, 7200, 10800, 21600, 43200, 86400, 2 * 86400, 7 * 86400, 14 * 86400, 28 * 86400)  # s


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a trend: mean, and the band from lowest to highest where both are given."""

    label: str
    mean: Floats
    low: Floats | None = None
    high: Floats | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A level worth seeing: a limit, a set point."""

    label: str
    value: float


@dataclass(frozen=True, slots=True)
class Frame:
    """What the trends of a report share: the time axis and its zone."""

    begin: float
    end: float
    times: Floats
    zone: datetime.tzinfo

    def x(self, time: float) -> float:
        """Place of a time on the page."""
        return _LEFT + (time - self.begin) / (self.end - self.begin) * (WIDTH - _LEFT - _RIGHT)


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers that span a range, at most so many and one.

    Examples
    --------
    >>> nice_ticks(381.3, 404.8)
    [380.0, 385.0, 390.0, 395.0, 400.0, 405.0]
    """
    raw = (high - low) / max(most - 1, 1) or 1.0
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if factor * power >= raw * 0.95)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [round(step * number, 10) for number in range(first, last + 1)]


def trend(
    title: str,
    symbol: str,
    frame: Frame,
    lines: Sequence[Line],
    marks: Sequence[Mark] = (),
    spans: Sequence[tuple[float, float]] = (),
) -> str:
    """Draw values over time.

    Parameters
    ----------
    title, symbol : str
        What it shows, in which unit.
    frame : Frame
        Time axis.
    lines : sequence of Line
        One or two lines, in the unit shown.
    marks : sequence of Mark
        Levels drawn across.
    spans : sequence of tuple
        Times of alarms [POSIX s], drawn as a strip below the top.
    """
    values = [line.mean for line in lines]
    values += [band for line in lines for band in (line.low, line.high) if band is not None]
    seen = np.concatenate([*values, np.array([mark.value for mark in marks])])
    seen = seen[np.isfinite(seen)]
    if not seen.size or not any(np.isfinite(line.mean).any() for line in lines):
        return _figure(title, symbol, "", "no usable values in this time")
    ticks = nice_ticks(float(seen.min()), float(seen.max()))
    low, high = ticks[0], ticks[-1] if ticks[-1] > ticks[0] else ticks[0] + 1.0

    def y(value: float) -> float:
        return HEIGHT - _BOTTOM - (value - low) / (high - low) * (HEIGHT - _TOP - _BOTTOM)

    parts = _grid(ticks, y, frame)
    for begin, end in spans:
        left, right = frame.x(max(begin, frame.begin)), frame.x(min(end, frame.end))
        width = max(right - left, 1.5)
        parts.append(f'<rect {_ALARM} x="{left:.1f}" y="{_TOP - 7:.1f}" width="{width:.1f}" height="5"/>')
    for number, line in enumerate(lines):
        if line.low is not None and line.high is not None:
            parts += _band(frame, line.low, line.high, y)
        parts += _path(frame, line.mean, y, _LINES[number])
    for mark in marks:
        at = y(mark.value)
        parts.append(f'<line {_MARK} x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
        parts.append(_marked(WIDTH - _RIGHT - 2, at - 3, "end", mark.label))
    legend = ""
    if len(lines) > 1:
        legend = "".join(
            f'<span class="key l{n}">{escape(line.label)}</span>' for n, line in enumerate(lines)
        )
    return _figure(title, symbol, legend, "".join(parts))


def histogram(
    title: str, symbol: str, edges: Sequence[float], hours: Sequence[float], marks: Sequence[Mark] = ()
) -> str:
    """Draw hours by value; ``edges`` has one number more than ``hours``."""
    if not hours or not sum(hours):
        return _figure(title, symbol, "", "no usable values in this time")
    ticks = nice_ticks(0.0, max(hours), 4)
    span = edges[-1] - edges[0]

    def y(value: float) -> float:
        return HEIGHT - _BOTTOM - value / ticks[-1] * (HEIGHT - _TOP - _BOTTOM)

    def x(value: float) -> float:
        return _LEFT + (value - edges[0]) / span * (WIDTH - _LEFT - _RIGHT)

    parts = _levels(ticks, y)
    for left, right, height in zip(edges[:-1], edges[1:], hours, strict=True):
        if height:
            wide, tall = max(x(right) - x(left) - 1.0, 0.5), max(y(0.0) - y(height), 0.7)
            parts.append(
                f'<rect {_BAR} x="{x(left) + 0.5:.1f}" y="{y(height):.1f}" '
                f'width="{wide:.1f}" height="{tall:.1f}"/>'
            )
    for value in nice_ticks(edges[0], edges[-1], 9):
        if edges[0] <= value <= edges[-1]:
            parts.append(_label(x(value), f"{value:g}"))
    for number, mark in enumerate(marks):
        if edges[0] <= mark.value <= edges[-1]:
            at = x(mark.value)
            parts.append(f'<line {_MARK} x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{HEIGHT - _BOTTOM}"/>')
            anchor, shift = ("end", -3.0) if at > WIDTH / 2 else ("start", 3.0)
            parts.append(_marked(at + shift, _TOP + 9 + 12 * number, anchor, mark.label))
    return _figure(title, f"hours by {symbol}" if symbol else "hours", "", "".join(parts))


def _figure(title: str, symbol: str, legend: str, inside: str) -> str:
    shown = f" <small>{escape(symbol)}</small>" if symbol else ""
    head = f"<figcaption><b>{escape(title)}</b>{shown}{legend}</figcaption>"
    if not inside.startswith("<"):
        return f'<figure>{head}<p class="none">{escape(inside)}</p></figure>'
    drawing = (
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{escape(title, quote=True)}" '
        f"{_WRITING}>{inside}</svg>"
    )
    return f"<figure>{head}{drawing}</figure>"


def _marked(x: float, y: float, anchor: str, words: str) -> str:
    """Write words that stay readable across lines: first their white rim, then themselves."""
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return "".join(f"<text {look} {place}>{escape(words)}</text>" for look in (_HALO, _MARKED))


def _levels(ticks: Sequence[float], y: Scale) -> list[str]:
    parts = []
    for tick in ticks:
        at = y(tick)
        parts.append(f'<line {_GRID} x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{at + 3.5:.1f}" text-anchor="end">{tick:g}</text>')
    return parts


def _grid(ticks: Sequence[float], y: Scale, frame: Frame) -> list[str]:
    parts = _levels(ticks, y)
    for time, label in time_ticks(frame.begin, frame.end, frame.zone):
        at = frame.x(time)
        parts.append(f'<line {_GRID} x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{HEIGHT - _BOTTOM}"/>')
        parts.append(_label(at, label))
    return parts


def _label(x: float, text: str) -> str:
    anchor = "middle" if x < WIDTH - 30 else "end"
    return f'<text x="{min(x, WIDTH - 2):.1f}" y="{HEIGHT - 7}" text-anchor="{anchor}">{escape(text)}</text>'


def time_ticks(begin: float, end: float, zone: datetime.tzinfo) -> list[tuple[float, str]]:
    """Return round local times within a span with their labels; a day's begin shows its date."""
    step = next((step for step in _STEPS if (end - begin) / step <= 9), _STEPS[-1])
    day = datetime.datetime.fromtimestamp(begin, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while day.timestamp() < end:
        hours = range(0, 24, step // 3600) if step < 86400 else (0,)
        for hour in hours:
            moment = day.replace(hour=hour)
            if begin <= moment.timestamp() <= end:
                label = f"{moment:%d %b}" if hour == 0 else f"{moment:%H:%M}"
                found.append((moment.timestamp(), label.lstrip("0") if hour == 0 else label))
        day += datetime.timedelta(days=max(1, step // 86400))
    return found


def _path(frame: Frame, values: Floats, y: Scale, style: str) -> list[str]:
    parts, run = [], list[str]()
    for time, value in [*zip(frame.times.tolist(), values.tolist(), strict=True), (0.0, math.nan)]:
        if math.isfinite(value):
            run.append(f"{frame.x(time):.1f},{y(value):.1f}")
        elif run:
            # A lone point would be a line of no length.
            parts.append(f'<polyline {style} points="{" ".join(run if len(run) > 1 else run * 2)}"/>')
            run = []
    return parts


def _band(frame: Frame, low: Floats, high: Floats, y: Scale) -> list[str]:
    parts, upper, lower = [], list[str](), list[str]()
    points = zip(frame.times.tolist(), low.tolist(), high.tolist(), strict=True)
    for time, bottom, top in [*points, (0.0, math.nan, math.nan)]:
        if math.isfinite(bottom) and math.isfinite(top):
            at = f"{frame.x(time):.1f}"
            upper.append(f"{at},{y(top):.1f}")
            lower.append(f"{at},{y(bottom):.1f}")
        elif upper:
            parts.append(f'<polygon {_SPREAD} points="{" ".join(upper + lower[::-1])}"/>')
            upper, lower = [], []
    return parts
