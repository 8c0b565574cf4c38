"""A usual unit, its monitor, and scans through it: orderly ones and such to which everything happens."""

from __future__ import annotations

import functools
import random

from config.alarm_set import resolve_alarms
from config.alarms import ResolvedAlarm
from config.site import DehydrationUnit, Site
from daemon.model import (
    Link,
    Outcome,
    Reading,
    Scan,
)
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import DOWN, NORMAL, UP, bad, good, make_scan, make_site

SIGNALS = {
    "reboiler_shutdown_temperature": 'type = "float32", unit = "degF", range = [0, 500]',
    "controller_heartbeat": 'type = "uint16"',
    "stroke_rate": 'type = "uint16", unit = "/min", scale = 0.1',
    "outlet_water_content": (
        'controller = "broker", topic = "a", payload = "json", path = "v", time_path = "t", unit = "lb/MMscf"'
    ),
}


@functools.cache
def usual_site() -> tuple[Site, DehydrationUnit, tuple[ResolvedAlarm, ...]]:
    site, unit = make_site(SIGNALS)
    return site, unit, resolve_alarms(site, unit).alarms


def make_monitor(signals: dict[str, str] | None = None, pump: str = "") -> UnitMonitor:
    if signals is None:
        return UnitMonitor(*usual_site())
    site, unit = make_site(signals, pump=pump)
    return UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)


def values_at(second: float, **changes: float | Reading) -> dict[str, float | Reading]:
    """A unit that dries gas at twelve strokes a minute; a heartbeat and an analyzer that live."""
    values: dict[str, float | Reading] = dict(NORMAL)
    values |= {
        "reboiler_shutdown_temperature": 470.0,
        "controller_heartbeat": float(int(second) % 65536),
        "stroke_rate": 0.2,
        "outlet_water_content": 6.5e-5,
        "stroke_count": float(int(second / 5.0) % 65536),
    }
    return values | changes


def run(
    monitor: UnitMonitor,
    begin: int,
    end: int,
    *,
    links: dict[str, Link] | None = None,
    **changes: float | Reading,
) -> list[Outcome]:
    """Step a scan a second."""
    return [
        monitor.step(make_scan(second, 1000.0 + second, values_at(second, **changes), links=links))
        for second in range(begin, end)
    ]


def disturbed(seed: int, count: int) -> list[Scan]:
    """Scans of a unit to which everything happens: noise, spikes, loss, resets, hot reboiler, shut-in."""
    dice = random.Random(seed)
    count_base, frozen, scans = 65500.0, None, []
    mode: dict[str, float | Reading] = {}
    for second in range(count):
        if dice.random() < 0.03:
            mode = dice.choice(
                [
                    {},
                    {"gas_rate": 0.0},
                    {"reboiler_temperature": 486.0, "reboiler_shutdown_temperature": 486.0},
                    {"reboiler_temperature": bad(1000.0 + second)},
                    {"outlet_water_content": 2e-4},
                    {"burner_on": 0.0, "reboiler_temperature": 420.0},
                ]
            )
        at = 1000.0 + second
        values = values_at(second, **mode)
        values["stroke_count"] = (count_base + second // 5) % 65536
        if dice.random() < 0.01:
            count_base = -float(second // 5)
        if dice.random() < 0.02:
            values["contactor_temperature"] = 350.0
        links = {"plc": UP, "broker": UP}
        if dice.random() < 0.02:
            frozen = second + dice.randint(2, 20)
        if frozen is not None and second < frozen:
            values = {
                name: good(v, 1000.0 + second - 8.0) for name, v in values.items() if isinstance(v, float)
            }
            links["plc"] = DOWN
        scans.append(make_scan(second, at, values, links=links))
    return scans
