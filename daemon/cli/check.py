"""``tegwatch check``: whether the site file is right, and whether the controllers answer as it says."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from config.signal_columns import COLUMNS, REQUIRED
from daemon.cli.console import standard_output
from daemon.cli.exits import FINDINGS, clear_failures
from daemon.cli.probe_report import report_facts, show_report
from daemon.cli.table_report import show_table, table_facts

if TYPE_CHECKING:
    from rich.table import Table

    from config.alarms import ResolvedSet
    from config.site import DehydrationUnit, Site
    from daemon.probing import SiteReport

COLUMNS_HELP = "\n\n".join(
    (
        "Columns of a signal table (CSV, the first line is the heading; comma, semicolon or tab):",
        *(f"{name}{' (needed)' if name in REQUIRED else ''}: {meaning}" for name, meaning in COLUMNS.items()),
        'A site file takes tables with signal_tables = ["north.csv"] at its top.',
    )
)


def check(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")],
    *,
    signals: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.csv",
            help="Also check a register map as if the site file named it, and show what it adds.",
        ),
    ] = None,
    probe: Annotated[bool, typer.Option("--probe", help="Also read every controller once.")] = False,
    patience: Annotated[float, typer.Option(help="How long to listen to brokers [s].", min=0.1)] = 15.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program.")] = False,
) -> None:
    """Validate a site file; with --probe read every controller once and show each signal raw and decoded.

    Reads only. Exit code 0: all well; 3: the file is wrong; 6: a signal could not be read or is not good.
    Example: tegwatch check site.toml --probe
    """
    from config.loader import load_site

    with clear_failures():
        site = load_site(site_file, [signals] if signals else [])
    facts = _facts(site)
    if signals is not None:
        facts["table"] = table_facts(site, signals)
    report = asyncio.run(_probe(site, site_file.resolve().parent, patience)) if probe else None
    if as_json:
        if report is not None:
            facts["probe"] = report_facts(report, site)
        print(json.dumps(facts, indent=2, ensure_ascii=False))
    else:
        _show(site_file, facts)
        if signals is not None:
            show_table(site_file, facts["table"])
        if report is not None:
            show_report(report, site)
    if report is not None and not report.all_good:
        raise typer.Exit(FINDINGS)


def _facts(site: Site) -> dict[str, Any]:
    from config.daemon_alarms import resolve_daemon_alarms
    from config.doubts import doubts
    from config.loader import configuration_hash, unit_context
    from config.quantities import Quantity
    from config.units import display_units

    units = display_units(site.site.unit_system, unit_context(site))
    return {
        "site": site.site.name,
        "configuration": configuration_hash(site),
        "barometric_pressure": f"{site.site.barometric_pressure / 1000:.2f} kPa",
        "gas_base": site.site.gas_base,
        "pipeline_limit": _limit(site, units, Quantity),
        "controllers": [
            {
                "name": controller.name,
                "protocol": controller.protocol,
                "signals": sum(
                    signal.controller == controller.name
                    for unit in site.units
                    for signal in unit.signals.values()
                ),
            }
            for controller in site.controllers
        ],
        "units": [_unit_facts(site, unit) for unit in site.units],
        "daemon": _alarm_facts(resolve_daemon_alarms(site)),
        "sinks": [{"name": sink.name, "kind": sink.kind} for sink in site.sinks],
        "look_twice": [{"unit": unit, "reason": reason} for unit, reason in doubts(site)],
    }


def _limit(site: Site, units: Any, quantity: Any) -> str:
    limit = site.site.pipeline_limit
    if limit.water_content is not None:
        return str(units[quantity.WATER_CONTENT].format(limit.water_content))
    dew_point, pressure = units[quantity.TEMPERATURE], units[quantity.PRESSURE]
    return f"{dew_point.format(limit.dew_point)} at {pressure.format(limit.pressure)}"


def _unit_facts(site: Site, unit: DehydrationUnit) -> dict[str, Any]:
    from config.alarm_inputs import known_of, missing_signals
    from config.alarm_set import resolve_alarms
    from config.quantities import RESULT_KINDS

    missing = {name: missing_signals(name, known_of(unit)) for name in RESULT_KINDS}
    return {
        "name": unit.name,
        "pump_in_service": unit.pump_in_service.name,
        "signals": {
            name: {"controller": signal.controller, "unit": signal.unit}
            for name, signal in unit.signals.items()
        },
        "calculated": [name for name, lacks in missing.items() if not lacks],
        "not_calculated": {name: f"needs {' and '.join(lacks)}" for name, lacks in missing.items() if lacks},
        **_alarm_facts(resolve_alarms(site, unit)),
        "alarms_changed": _changes(site, unit),
    }


def _changes(site: Site, unit: DehydrationUnit) -> list[dict[str, str]]:
    from config.alarm_changes import changes
    from config.alarm_set import packaged_alarms
    from daemon.monitor.alarms.messages import duration_words

    def words(value: object) -> str:
        if isinstance(value, dict):
            return ", ".join(f"{setpoint} while {state}" for state, setpoint in value.items()) or "none"
        return duration_words(value) if isinstance(value, float) else str(value or "none")

    return [
        {
            "alarm": change.alarm,
            "key": change.key,
            "packaged": words(change.packaged),
            "here": words(change.here),
            "basis": change.basis,
        }
        for table in (site.alarms, unit.alarms)
        for change in changes(packaged_alarms(), table)
    ]


def _alarm_facts(found: ResolvedSet) -> dict[str, Any]:
    return {
        "alarms": [
            {"alarm": alarm.id, "title": alarm.title, "priority": alarm.priority, "own": alarm.own}
            for alarm in found.alarms
        ],
        "alarms_off": {off.alarm: off.reason for off in found.switched_off},
    }


def _show(site_file: Path, facts: dict[str, Any]) -> None:
    from rich.table import Table

    out = standard_output()
    out.print(f"[bold]{facts['site']}[/bold]: {site_file} is valid (configuration {facts['configuration']})")
    out.print(
        f"Barometric pressure {facts['barometric_pressure']}, gas base {facts['gas_base']}, "
        f"pipeline limit {facts['pipeline_limit']}"
    )
    for controller in facts["controllers"]:
        out.print(
            f"Controller {controller['name']}: {controller['protocol']}, {controller['signals']} signals"
        )
    for unit in facts["units"]:
        out.print(f"\n[bold]Unit {unit['name']}[/bold], pump {unit['pump_in_service']} in service")
        table = Table.grid(padding=(0, 2))
        table.add_column(style="dim")
        table.add_column(overflow="fold")
        table.add_row("signals", ", ".join(unit["signals"]))
        table.add_row("calculated", ", ".join(unit["calculated"]) or "nothing")
        for name, reason in unit["not_calculated"].items():
            table.add_row("not calculated", f"{name}: {reason}")
        _add_alarms(table, unit)
        out.print(table)
    out.print("\n[bold]The daemon itself[/bold]")
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim")
    table.add_column(overflow="fold")
    _add_alarms(table, facts["daemon"])
    out.print(table)
    for doubt in facts["look_twice"]:
        out.print(f"\n[bold]Look twice[/bold] at unit {doubt['unit']}: {doubt['reason']}")


def _add_alarms(table: Table, facts: dict[str, Any]) -> None:
    names = [alarm["alarm"] for alarm in facts["alarms"]]
    plain = [name for name in names if not name.startswith("instrument_bad.")]
    table.add_row("alarms in force", ", ".join(plain))
    if own := [alarm["alarm"] for alarm in facts["alarms"] if alarm["own"]]:
        table.add_row("", f"of the site's own: {', '.join(own)}")
    if len(plain) < len(names):
        table.add_row("", f"and instrument_bad for {len(names) - len(plain)} signals")
    for change in facts.get("alarms_changed", ()):
        why = f" ({change['basis']})" if change["basis"] else ""
        told = f"{change['alarm']}: {change['key']} {change['here']}, packaged {change['packaged']}{why}"
        table.add_row("alarm changed", told)
    for name, reason in facts["alarms_off"].items():
        table.add_row("alarm off", f"{name}: {reason}")


async def _probe(site: Site, folder: Path, patience: float) -> SiteReport:
    from daemon.clock import SystemClock
    from daemon.probing import probe_site

    return await probe_site(site, folder, SystemClock(), patience)
