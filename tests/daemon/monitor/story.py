"""A whole unit, scan after scan, and the alarms that came."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from config.alarm_set import resolve_alarms
from config.site import DehydrationUnit, Site
from daemon.model import AlarmState, AlarmTransition
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import NORMAL, make_scan

Story = Callable[[float], Mapping[str, float]]
"""What differs from ``NORMAL`` at a time [s], SI."""

_STANDING = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}


def kelvin(fahrenheit: float) -> float:
    """A temperature in degF as K."""
    return (fahrenheit - 32.0) / 1.8 + 273.15


def steps(
    site: Site, unit: DehydrationUnit, story: Story, seconds: int, *, period: int = 2
) -> list[tuple[float, AlarmTransition]]:
    """Run a unit and return every step of every alarm, with its time; a stroke every 4 s."""
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    monitor.saves = False
    found: list[tuple[float, AlarmTransition]] = []
    for at in range(0, seconds, period):
        values = {**NORMAL, "stroke_count": 1000.0 + at // 4, **story(at)}
        found += [
            (float(at), step) for step in monitor.step(make_scan(at // period, at + 10.0, values)).alarms
        ]
    return found


def comings(
    site: Site, unit: DehydrationUnit, story: Story, seconds: int, *, period: int = 2
) -> list[tuple[float, AlarmTransition]]:
    """Run a unit and return every coming of an alarm that is shown."""
    return [
        (at, step)
        for at, step in steps(site, unit, story, seconds, period=period)
        if step.state is AlarmState.UNACKNOWLEDGED and step.previous not in _STANDING
    ]


def first_comings(
    site: Site, unit: DehydrationUnit, story: Story, seconds: int, *, period: int = 2
) -> dict[str, tuple[float, AlarmTransition]]:
    """Run a unit and return for every alarm that came its first coming."""
    found: dict[str, tuple[float, AlarmTransition]] = {}
    for at, step in comings(site, unit, story, seconds, period=period):
        found.setdefault(step.alarm, (at, step))
    return found
