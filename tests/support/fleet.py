"""Many invented units for measurements: each behind a controller of its own, all signals in 60 registers.

The registers are those of a unit that dries gas, every reading new and a little noisy at every answer, so
that nothing is calculated for less than it costs in the field.
"""

from __future__ import annotations

import random
import struct
import time

from config.loader import parse_site
from config.site import Site

REGISTERS = 60
_STEP = 3
"""Registers from one signal to the next: 20 signals fill one read."""

SIGNALS: dict[str, tuple[str, float, str]] = {
    "reboiler_temperature": ("degF", 388.0, "[0, 500]"),
    "reboiler_shutdown_temperature": ("degF", 389.0, "[0, 500]"),
    "contactor_temperature": ("degF", 86.0, "[0, 200]"),
    "contactor_pressure": ("psig", 800.0, "[0, 1440]"),
    "gas_rate": ("MMscfd", 5.0, "[0, 10]"),
    "outlet_water_content": ("lb/MMscf", 4.0, "[0, 20]"),
    "still_top_temperature": ("degF", 210.0, "[0, 500]"),
    "lean_glycol_temperature": ("degF", 95.0, "[0, 250]"),
    "rich_glycol_temperature": ("degF", 90.0, "[0, 250]"),
    "reboiler_level": ("%", 70.0, "[0, 100]"),
    "surge_level": ("%", 60.0, "[0, 100]"),
    "contactor_level": ("%", 50.0, "[0, 100]"),
    "flash_level": ("%", 50.0, "[0, 100]"),
    "filter_differential_pressure": ("psi", 3.0, "[0, 50]"),
    "contactor_differential_pressure": ("psi", 0.3, "[0, 10]"),
    "flash_pressure": ("psig", 50.0, "[0, 150]"),
    "flash_temperature": ("degF", 120.0, "[0, 300]"),
}
"""Unit, value about which it wanders, and range; the states and counters follow behind them."""
_COUNTERS = ("stroke_count", "controller_heartbeat")
_STATES = {"burner_on": 1, "bypass_open": 0}
STROKES_A_SECOND = 0.35

_SITE = """
schema_version = 1
[site]
name = "fleet"
elevation = "1520 m"
unit_system = "us"
[site.pipeline_limit]
water_content = "7 lb/MMscf"
"""
_CONTROLLER = """
[[controllers]]
name = "plc-{number}"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
timeout = "3 s"
"""
_UNIT = """
[[units]]
name = "unit-@"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "390 degF"
[[units.pumps]]
name = "p-1"
displacement = "0.024 gal"
stall_rate = "8 /min"
maximum_rate = "40 /min"
[units.signals]
"""


def fleet_site(count: int, port: int) -> Site:
    """Return a site of so many units and controllers, all on one port."""
    return parse_site(fleet_text(count, port), "fleet.toml")


def fleet_text(count: int, port: int, name: str = "fleet") -> str:
    """Return the site file of ``fleet_site``, of a site with a name."""
    places = {
        name: (_STEP * place, f'type = "float32", unit = "{unit}", range = {span}')
        for place, (name, (unit, _, span)) in enumerate(SIGNALS.items())
    }
    behind = _STEP * len(SIGNALS)
    places |= {name: (behind + place, 'type = "uint16"') for place, name in enumerate(_COUNTERS)}
    places |= {name: (REGISTERS - 1, f'type = "bool", bit = {bit}') for bit, name in enumerate(_STATES)}
    rows = "\n".join(
        f'{name} = {{ controller = "plc-@", table = "holding", address = {address}, {rest} }}'
        for name, (address, rest) in places.items()
    )
    parts = [_SITE.replace('name = "fleet"', f'name = "{name}"')]
    parts += [_CONTROLLER.format(number=n, port=port) for n in range(count)]
    parts += [(_UNIT + rows).replace("@", str(n)) for n in range(count)]
    return "".join(parts)


class DryingRegisters:
    """The bytes of the 60 registers, another noise at every call."""

    def __init__(self) -> None:
        noise = random.Random(20260101)
        self._ring = [self._analog(noise) for _ in range(97)]
        self._next = 0
        self._states = sum(state << bit for bit, state in enumerate(_STATES.values()))

    @staticmethod
    def _analog(noise: random.Random) -> bytes:
        return b"".join(
            struct.pack(">fH", value * (1.0 + noise.gauss(0.0, 1e-4)), 0) for _, value, _ in SIGNALS.values()
        )

    def __call__(self) -> bytes:
        """Return the registers as of now."""
        self._next = (self._next + 1) % len(self._ring)
        now = time.monotonic()
        counts = struct.pack(">HH", int(now * STROKES_A_SECOND) & 0xFFFF, int(now) & 0xFFFF)
        body = self._ring[self._next] + counts
        return body + bytes(2 * REGISTERS - 2 - len(body)) + struct.pack(">H", self._states)
