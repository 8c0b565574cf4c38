"""What a signal table adds to a site, for ``tegwatch check --signals``."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.cli.console import standard_output

if TYPE_CHECKING:
    from config.alarms import AlarmEntry
    from config.signal_table import TableRow
    from config.site import DehydrationUnit, Site


def table_facts(site: Site, table: Path) -> dict[str, Any]:
    """Return what a table adds to a site that was loaded with it.

    Parameters
    ----------
    site : Site
        The site, the table's signals among its own.
    table : pathlib.Path
        The table.
    """
    from config.signal_table import read_signal_table

    rows, _ = read_signal_table(table.read_text(encoding="utf-8"), str(table))
    added = {unit.name: {row.signal: row for row in rows if row.unit == unit.name} for unit in site.units}
    units = tuple(_without(unit, added[unit.name]) for unit in site.units)
    everywhere = {signal for of_unit in added.values() for signal in of_unit}
    without = site.model_copy(update={"units": units, "alarms": _others(site.alarms, everywhere)})
    return {
        "file": str(table),
        "adds": [
            _added(site, unit, without, before, added[unit.name])
            for unit, before in zip(site.units, without.units, strict=True)
        ],
    }


def _without(unit: DehydrationUnit, added: Collection[str]) -> DehydrationUnit:
    rest = {name: signal for name, signal in unit.signals.items() if name not in added}
    return unit.model_copy(update={"signals": rest, "alarms": _others(unit.alarms, added)})


def _others(overrides: Mapping[str, AlarmEntry], signals: Collection[str]) -> dict[str, AlarmEntry]:
    """Leave out what a site changes of the alarms of single signals: without the signal there is no alarm."""
    return {name: one for name, one in overrides.items() if name.partition(".")[2] not in signals}


def _added(
    site: Site, unit: DehydrationUnit, without: Site, before: DehydrationUnit, added: Mapping[str, TableRow]
) -> dict[str, Any]:
    from config.alarm_inputs import known_of, missing_signals
    from config.alarm_set import resolve_alarms
    from config.quantities import RESULT_KINDS

    known = {alarm.id for alarm in resolve_alarms(without, before).alarms}
    return {
        "unit": unit.name,
        "signals": {
            name: {"line": row.line, **{key: row.data[key] for key in ("controller", "table", "address")}}
            | {"type": row.data["type"], "unit": row.data.get("unit", "")}
            for name, row in added.items()
        },
        "results": [
            name
            for name in RESULT_KINDS
            if missing_signals(name, known_of(before)) and not missing_signals(name, known_of(unit))
        ],
        "alarms": [alarm.id for alarm in resolve_alarms(site, unit).alarms if alarm.id not in known],
    }


def show_table(site_file: Path, facts: dict[str, Any]) -> None:
    """Print what ``table_facts`` found."""
    from rich.table import Table

    console = standard_output()
    for added in facts["adds"]:
        signals = added["signals"]
        if not signals:
            continue
        count = f"{len(signals)} signal{'s' if len(signals) > 1 else ''}"
        console.print(f"\n[bold]{facts['file']}[/bold] adds {count} to unit {added['unit']}")
        table = Table.grid(padding=(0, 2))
        for name, signal in signals.items():
            place = f"{signal['table']} {signal['address']}"
            cells = (
                f"line {signal['line']}",
                name,
                signal["controller"],
                place,
                signal["type"],
                signal["unit"],
            )
            table.add_row(*cells)
        console.print(table)
        console.print(f"  results that become possible: {', '.join(added['results']) or 'none'}")
        plain = [name for name in added["alarms"] if not name.startswith("instrument_bad.")]
        console.print(f"  alarms that come into force: {', '.join(plain) or 'none'}")
        console.print(f"  and instrument_bad for {len(added['alarms']) - len(plain)} signals")
    console.print(
        f'To take it for good, put signal_tables = ["{Path(facts["file"]).name}"] at the top of {site_file}, '
        "or add it to the list there.",
        markup=False,
    )
