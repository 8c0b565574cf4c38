"""The live view in a terminal: pure, from what the API says to what rich draws.

Plain greys for a plant that is well; colour, a shape and a word together for an alarm, and for nothing
else. A value that is not good carries a mark and its reason, never a blank or a zero.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from daemon.web.schemas import AlarmView, UnitView, ValueView
from daemon.web.urgency import most_urgent_first

ROWS = (
    ("Gas rate", "gas_rate"),
    ("Contactor pressure", "contactor_pressure"),
    ("Contactor temperature", "contactor_temperature"),
    ("Reboiler", "reboiler_temperature"),
    ("Pump strokes", "stroke_rate"),
    ("  stall below", "accepted_stall_rate"),
    ("Circulation", "circulation_rate"),
    ("Circulation ratio", "circulation_ratio"),
    ("Lean glycol", "lean_mass_fraction"),
    ("Water removed", "water_removed"),
    ("Outlet dew point", "outlet_dew_point"),
    ("Margin to limit", "dew_point_margin"),
)
TRENDS = ("reboiler_temperature", "stroke_rate", "dew_point_margin")
TREND_LENGTH = 12
_MARK = {"good": " ", "uncertain": "?", "bad": "✗"}
_SHAPE = {"highest": "◆", "high": "▲", "medium": "■", "low": "●"}
_STYLE = {"highest": "bold magenta", "high": "bold red", "medium": "bold yellow", "low": "cyan"}
_STANDING = frozenset({"UNACK", "ACKED"})
_BLOCKS = "▁▂▃▄▅▆▇█"
SPANS = {"reboiler_temperature": 20.0, "stroke_rate": 4.0, "dew_point_margin": 10.0}
"""Smallest span of a trend in display units, so that noise does not look like movement."""


@dataclass(slots=True)
class TerminalState:
    """Everything that one frame shows."""

    site: str
    order: list[str] = field(default_factory=list)
    units: dict[str, UnitView] = field(default_factory=dict)
    alarms: list[AlarmView] = field(default_factory=list)
    log: deque[str] = field(default_factory=lambda: deque(maxlen=200))
    trends: dict[tuple[str, str], deque[float | None]] = field(default_factory=dict)
    age: float = 0.0
    """Seconds since the daemon was last heard."""
    caption: str = ""
    door: str = ""
    """Where the page is and how to get in, shown in the head."""

    def take(self, unit: UnitView) -> None:
        """Take a unit's newest values into the picture and its trends."""
        self.units[unit.name] = unit
        values = _by_name(unit)
        for name in TRENDS:
            trend = self.trends.setdefault((unit.name, name), deque(maxlen=TREND_LENGTH))
            trend.append(values[name].value if name in values else None)


def render(state: TerminalState, height: int) -> RenderableType:
    """Draw one frame of at most ``height`` lines."""
    head = Table.grid(expand=True)
    head.add_column()
    head.add_column(justify="right")
    stale = state.age > 5.0
    heard = f"NO DATA FOR {state.age:.0f} s" if stale else "live"
    head.add_row(
        Text(state.site, style="bold"),
        Text(f"{state.caption}   {heard}", style="reverse bold" if stale else "dim"),
    )
    door = Text(state.door, no_wrap=True)
    units = Table.grid(expand=True, padding=(0, 1))
    known = [state.units[name] for name in state.order if name in state.units]
    for _ in known:
        units.add_column(ratio=1)
    units.add_row(*(_unit(unit, state, dead=stale) for unit in known))
    used = 4 + len(ROWS) + 4 + (1 if state.door else 0)
    alarms = _alarms(state.alarms, room=max(6, (height - used) * 2 // 3))
    left = max(3, height - used - _lines(state.alarms, height, used))
    log = Group(
        *(Text(line, style="dim", no_wrap=True, overflow="ellipsis") for line in _tail(state.log, left))
    )
    return Group(head, *([door] if state.door else []), units, alarms, Padding(log, (0, 1)))


def _lines(alarms: Sequence[AlarmView], height: int, used: int) -> int:
    return min(max(6, (height - used) * 2 // 3), 1 + 3 * max(1, len(alarms)))


def _tail(log: Iterable[str], count: int) -> list[str]:
    return list(log)[-count:]


def _by_name(unit: UnitView) -> Mapping[str, ValueView]:
    """Values by name; where a signal and a result share a name, the result, which is made from the signal."""
    return {value.name: value for value in (*unit.signals, *unit.results)}


def _unit(unit: UnitView, state: TerminalState, *, dead: bool) -> Panel:
    values = _by_name(unit)
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(style="dim", no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(width=1)
    table.add_column(no_wrap=True, style="dim", overflow="ellipsis", ratio=1)
    for label, name in ROWS:
        value = values.get(name)
        if value is None:
            continue
        style = "strike dim" if dead else "" if value.quality == "good" else "italic"
        table.add_row(
            label,
            Text(_with_band(value), style=style),
            _MARK[value.quality],
            _side(name, values, unit, state),
        )
    return Panel(table, title=Text(f"{unit.title}: {unit.state}"), title_align="left", border_style="dim")


def _with_band(value: ValueView) -> str:
    if value.uncertainty is None or value.value is None:
        return value.text
    decimals = len(value.text.split()[0].partition(".")[2])
    return f"{value.value:.{decimals}f} ± {value.uncertainty:.{decimals}f} {value.unit}".rstrip()


def _side(name: str, values: Mapping[str, ValueView], unit: UnitView, state: TerminalState) -> str:
    """Find what stands beside a value: why it is not good, or its short trend."""
    value = values[name]
    if value.quality != "good" and value.reason:
        return value.reason
    return sparkline(state.trends.get((unit.name, name), ()), SPANS.get(name, 0.0)) if name in TRENDS else ""


def sparkline(values: Iterable[float | None], least_span: float) -> str:
    """Draw values as a row of blocks; a gap stays a gap."""
    points = list(values)[-TREND_LENGTH:]
    known = [point for point in points if point is not None]
    if not known:
        return ""
    middle, span = (max(known) + min(known)) / 2, max(max(known) - min(known), least_span, 1e-9)
    bottom = middle - span / 2
    return "".join(
        " " if point is None else _BLOCKS[min(7, max(0, int((point - bottom) / span * 8)))]
        for point in points
    )


def sorted_alarms(alarms: Iterable[AlarmView]) -> list[AlarmView]:
    """Return the annunciated alarms, the most urgent first."""
    return [alarm for alarm in most_urgent_first(alarms) if alarm.annunciated]


def why(alarm: AlarmView) -> str:
    """Say what may be behind an alarm: what fits what moves now, else what usually is; never a verdict."""
    if alarm.diagnosis:
        return f"Fits best: {alarm.diagnosis[0].fault}."
    return f"Possible causes: {'; '.join(alarm.causes)}."


def _alarms(alarms: Sequence[AlarmView], room: int) -> RenderableType:
    shown = sorted_alarms(alarms)
    if not shown:
        return Panel(Text("no alarms", style="dim"), title="Alarms", title_align="left", border_style="dim")
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1, overflow="fold")
    lines = 0
    for position, alarm in enumerate(shown):
        # What to do about it is for a condition that stands: of one that is gone it would mislead.
        explained = alarm.state in _STANDING and (position == 0 or lines + 3 <= room - 2)
        if lines + (3 if explained else 1) > room - 1 and position > 0:
            table.add_row("", "", "", Text(f"and {len(shown) - position} more", style="dim"))
            break
        style = (
            _STYLE[alarm.priority]
            if alarm.state in {"UNACK", "LUNACK"}
            else _STYLE[alarm.priority].split()[-1]
        )
        mark = Text(f"{_SHAPE[alarm.priority]} {alarm.priority}", style=style)
        table.add_row(mark, Text(alarm.state, style=style), alarm.unit, Text(alarm.message, style=style))
        lines += 1
        if explained:
            table.add_row("", "", "", Text(f"{why(alarm)} If ignored: {alarm.consequence}", style="dim"))
            table.add_row("", "", "", Text(f"Do: {alarm.response}"))
            lines += 2
    return Panel(table, title=f"Alarms ({len(shown)})", title_align="left", border_style="dim")
