"""An invented unit and scans of it, for tests of the monitor."""

from __future__ import annotations

from collections.abc import Mapping

from config.loader import parse_site
from config.site import DehydrationUnit, Site
from daemon.model import Link, LinkState, Reading, Scan, Status
from daemon.monitor.moment import Moment

START = 1_760_000_000.0  # 2025-10-09, POSIX s
UP = Link(LinkState.UP, 0.0, 0.0)
DOWN = Link(LinkState.DOWN, 0.0, reason="connection refused")

_HEAD = """
schema_version = 1
[site]
name = "dry-creek"
barometric_pressure = "101.325 kPa"
unit_system = "us"
[site.pipeline_limit]
{limit}
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
[[controllers]]
name = "broker"
protocol = "mqtt"
host = "127.0.0.1"
expected_period = "1 s"
[[units]]
name = "unit-1"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "385 degF"
[[units.pumps]]
name = "p-1"
displacement = "0.05 gal"
stall_rate = "6 /min"
maximum_rate = "40 /min"
{pump}
[units.signals]
"""

_SIGNALS: dict[str, str] = {
    "contactor_temperature": 'type = "float32", unit = "degF", range = [0, 200]',
    "contactor_pressure": 'type = "float32", unit = "psig", range = [0, 1200]',
    "gas_rate": 'type = "float32", unit = "MMscfd", range = [0, 10]',
    "reboiler_temperature": 'type = "float32", unit = "degF", range = [0, 500]',
    "stroke_count": 'type = "uint16"',
    "burner_on": 'type = "bool", bit = 0',
}


def site_text(
    signals: Mapping[str, str] | None = None,
    *,
    without: tuple[str, ...] = (),
    limit: str = 'water_content = "7 lb/MMscf"',
    pump: str = "",
    rest: str = "",
) -> str:
    """Write a site file: the usual signals, more or others by name, fewer with ``without``."""
    lines = [_HEAD.format(limit=limit, pump=pump)]
    wanted = {**_SIGNALS, **(signals or {})}
    for address, (name, keys) in enumerate(wanted.items()):
        if name in without:
            continue
        where = "" if "topic" in keys else f'controller = "plc", table = "holding", address = {2 * address}, '
        lines.append(f"{name} = {{ {where}{keys} }}")
    return "\n".join([*lines, rest])


def make_site(
    signals: Mapping[str, str] | None = None,
    *,
    without: tuple[str, ...] = (),
    limit: str = 'water_content = "7 lb/MMscf"',
    pump: str = "",
    rest: str = "",
) -> tuple[Site, DehydrationUnit]:
    """Make the site of ``site_text`` and its unit."""
    site = parse_site(site_text(signals, without=without, limit=limit, pump=pump, rest=rest), "test.toml")
    return site, site.units[0]


NORMAL: dict[str, float] = {
    "contactor_temperature": 300.0,  # 80 degF
    "contactor_pressure": 5.617e6,  # 800 psig
    "gas_rate": 1.64,  # 5 MMscfd
    "reboiler_temperature": 469.26,  # 385 degF
    "stroke_count": 1000.0,
    "burner_on": 1.0,
}
"""A unit that dries gas, SI."""


def good(value: float, at: float, *, stamp: float | None = None) -> Reading:
    """A good reading received at monotonic time ``at``."""
    return Reading(value, Status.GOOD, START + at if stamp is None else stamp, at)


def bad(at: float, reason: str = "exception 2") -> Reading:
    """A bad reading."""
    return Reading(None, Status.BAD_DEVICE_FAILURE, START + at, at, reason)


def moment(at: float) -> Moment:
    """The moment of a scan at monotonic time ``at``."""
    return Moment(START + at, at, at, 0.0)


def make_scan(
    sequence: int,
    at: float,
    values: Mapping[str, float | Reading],
    *,
    links: Mapping[str, Link] | None = None,
    time: float | None = None,
) -> Scan:
    """A scan whose plain values were received a tenth of a second before it."""
    readings = {
        name: value if isinstance(value, Reading) else good(value, at - 0.1) for name, value in values.items()
    }
    wall = START + at if time is None else time
    return Scan("unit-1", sequence, wall, at, readings, links or {"plc": UP, "broker": UP})
