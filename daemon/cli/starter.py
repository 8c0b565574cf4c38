"""The text of a starter site file from a few answers; pure."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Starter:
    """What is asked for a starter site file."""

    name: str
    title: str
    elevation: str
    unit_system: Literal["us", "si"]
    time_zone: str
    limit: str
    """Highest water content in the sales gas, for example "7 lb/MMscf"."""
    protocol: Literal["modbus-tcp", "mqtt"]
    host: str
    port: int
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Signal:
    name: str
    remark: str
    us: tuple[str, str]
    """Unit and range for a site in US field units."""
    si: tuple[str, str]


_SIGNALS = (
    _Signal("contactor_temperature", "gas in the contactor", ("degF", "[0, 200]"), ("degC", "[-20, 90]")),
    _Signal("contactor_pressure", "gauge pressure", ("psig", "[0, 1440]"), ("barg", "[0, 100]")),
    _Signal("gas_rate", "gas through the contactor", ("MMscfd", "[0, 10]"), ("Sm3/h", "[0, 12000]")),
    _Signal("reboiler_temperature", "glycol in the reboiler", ("degF", "[0, 500]"), ("degC", "[0, 260]")),
    _Signal("stroke_rate", "of the pump in service", ("/min", "[0, 60]"), ("/min", "[0, 60]")),
)
"""The least that gives a dew-point margin."""
_SIZES = {
    "us": {"set_point": "390 degF", "back_pressure": "0.5 psi", "displacement": "0.03 gal"},
    "si": {"set_point": "199 degC", "back_pressure": "3.5 kPa", "displacement": "0.11 L"},
}


def starter_site(answers: Starter) -> str:
    """Return a site file that is valid as it stands and says at each line what to put there instead."""
    controller = "plc-1" if answers.protocol == "modbus-tcp" else "broker-1"
    parts = [_head(answers), _controller(answers, controller)]
    parts += [_unit(answers, controller, name) for name in answers.units]
    return "\n".join((*parts, _TAIL))


def _head(answers: Starter) -> str:
    return f"""\
# The site file of {_comment(answers.title)}. Lines marked CHANGE hold invented values: put your own there.
#
#   tegwatch check SITE            every mistake with its line and the fix; what will be calculated
#   tegwatch check SITE --probe    reads each controller once and shows every value, raw and decoded
#   tegwatch run SITE              watches
#   tegwatch init --explained      a longer example that explains every option
#
# tegwatch only reads: no option would make it write to a controller. It is no safety system and replaces no
# shutdown: local codes, site procedures and licensed practice come first.

schema_version = 1

[site]
name = {_text(answers.name)}
title = {_text(answers.title)}
elevation = {_text(answers.elevation)}            # gives the mean barometric pressure
unit_system = {_text(answers.unit_system)}               # what is shown: "us" or "si"
time_zone = {_text(answers.time_zone)}                # for display; times are kept in UTC

[site.pipeline_limit]
{_limit(answers.limit)}
"""


def _limit(text: str) -> str:
    """Write the limit as a water content, or as a dew point at a pressure: "-8 degC at 70 barg"."""
    dew_point, at, pressure = text.partition(" at ")
    if not at:
        return f"water_content = {_text(text)}"
    return f"dew_point = {_text(dew_point.strip())}\npressure = {_text(pressure.strip())}"


def _controller(answers: Starter, name: str) -> str:
    lines = [
        "[[controllers]]",
        f"name = {_text(name)}",
        f"protocol = {_text(answers.protocol)}",
        f"host = {_text(answers.host)}",
        f"port = {answers.port}",
    ]
    if answers.protocol == "modbus-tcp":
        lines += [
            'addressing = "prefixed"           # CHANGE? 40001 is the first holding register;',
            '#                                   or "one-based", "zero-based"; see the controller\'s list',
            "device_id = 1                     # CHANGE? unit id",
            'scan_period = "1 s"',
        ]
    else:
        lines += [
            'expected_period = "10 s"          # CHANGE? longest usual time between two messages',
            '# credentials_file = "..."        # two lines, user and password; chmod 600',
            "# tls = {}                        # encryption; add ca_file for a private authority",
        ]
    return "\n".join(lines) + "\n"


def _unit(answers: Starter, controller: str, name: str) -> str:
    size = _SIZES[answers.unit_system]
    lines = [
        "# " + "-" * 98,
        "[[units]]",
        f"name = {_text(name)}",
        'scan_period = "1 s"',
        "",
        "[units.gas]",
        "specific_gravity = 0.65            # CHANGE: of your gas, air = 1",
        "",
        "[units.contactor]",
        "trays = 8                          # CHANGE: actual trays; for packing theoretical_stages = 2.0",
        "",
        "[units.reboiler]",
        f"set_point = {_text(size['set_point'])}        # CHANGE: where the thermostat stands; only watched",
        f"still_back_pressure = {_text(size['back_pressure'])}    # CHANGE?",
        "",
        "[[units.pumps]]                    # every installed pump; exactly one in service",
        'name = "pump-a"',
        f"displacement = {_text(size['displacement'])}    # CHANGE: a stroke, from the data sheet",
        'stall_rate = "10 /min"             # CHANGE: lowest recommended rate',
        'maximum_rate = "40 /min"           # CHANGE',
        "",
        "# What it reads. CHANGE addresses, types, units and ranges to those of your controller.",
    ]
    for number, signal in enumerate(_SIGNALS):
        unit, credible = signal.us if answers.unit_system == "us" else signal.si
        if answers.protocol == "modbus-tcp":
            where = f'table = "holding"\naddress = {40001 + 2 * number}\ntype = "float32"'
        else:
            where = f"topic = {_text(f'field/{name}/{signal.name}')}"
        lines.append(f"[units.signals.{signal.name}]  # {signal.remark}")
        lines.append(f'controller = "{controller}"\n{where}\nunit = "{unit}"\nrange = {credible}\n')
    return "\n".join(lines)


_TAIL = """\
# ---------------------------------------------------------------------------------------------------
# The packaged alarms are in force for what is measured; `tegwatch alarms catalogue` explains each.
# An example of a change:
# [alarms.reboiler_temperature_high]
# setpoint = "398 degF"
# basis = "site alarm review, J. Doe, 2026-01-15"

[[sinks]]
kind = "log"
name = "log"

[journal]
path = "tegwatch-journal.sqlite3"  # relative to this file
keep = "31 d"

[api]
socket = "tegwatch.sock"           # only the daemon's own user may open it
"""


def _text(value: str) -> str:
    """Return a TOML basic string: JSON's escapes are among TOML's."""
    return json.dumps(value, ensure_ascii=False)


def _comment(value: str) -> str:
    """Return text that cannot leave its comment."""
    return " ".join(value.split())
