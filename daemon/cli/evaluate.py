"""``tegwatch evaluate``: the whole calculation of one unit, once, from readings in any unit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.console import standard_output
from daemon.cli.exits import FAILED, FINDINGS, USAGE, fail
from daemon.cli.path_table import path_table, plus_minus, print_cautions

if TYPE_CHECKING:
    from config.quantities import Quantity
    from config.units import DisplayUnit
    from daemon.cli.evaluation import EvaluationReport


def evaluate(
    file: Annotated[
        Path | None, typer.Argument(help="TOML or JSON with tables readings and design, values as texts.")
    ] = None,
    *,
    value: Annotated[
        list[str] | None, typer.Option("--set", help='One value, "gas_temperature=100 degF"; wins over FILE.')
    ] = None,
    gas_base: Annotated[str, typer.Option(help="Base of a standard cubic foot.")] = "60 degF, 14.696 psia",
    units: Annotated[str, typer.Option(help="us or si.")] = "us",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program, in SI.")] = False,
) -> None:
    """Calculate a dehydration unit once: every result, how sure it is, how it comes, what to mind.

    Exit code 0: done, dry enough; 1: no margin can be calculated; 2: a value cannot be read; 6: wetter than
    the limit. Example: tegwatch evaluate --set "gas_temperature=100 degF" --set "gas_pressure=800 psig"
    --set "gas_rate=10 MMscfd" --set "reboiler_temperature=390 degF" --set "stroke_rate=20 /min"
    --set "pump_displacement=0.1 gal" --set "limit_water_content=7 lb/MMscf" --set specific_gravity=0.65
    --set theoretical_stages=2
    """
    from calc.errors import CalcError
    from config.units import BASES, UnitContext, display_units
    from daemon.cli.evaluation import read_values, report

    if units not in {"us", "si"}:
        fail(f'--units is "{units}"; write us or si', USAGE)
    if gas_base not in BASES:
        fail(f'--gas-base is "{gas_base}"; write one of: {"; ".join(BASES)}', USAGE)
    texts = _from_file(file) if file is not None else {}
    for each in value or ():
        name, equals, text = each.partition("=")
        if not equals:
            fail(f'--set is "{each}"; write a name and a value, as "gas_temperature=100 degF"', USAGE)
        texts[name.strip()] = text.strip()
    try:
        readings, design = read_values(texts, gas_base)
    except CalcError as error:
        fail(str(error), USAGE)
    try:
        shown = display_units(units, UnitContext(design.barometric_pressure, gas_base))
        found = report(readings, design, units=shown)
    except CalcError as error:
        fail(str(error), FAILED)
    if as_json:
        print(json.dumps(facts(found), indent=2, ensure_ascii=False))
    else:
        _show(found, shown)
    if not found.judged:
        raise typer.Exit(FAILED)
    if found.over_limit:
        raise typer.Exit(FINDINGS)


def _from_file(path: Path) -> dict[str, str]:
    """Read the tables readings and design of a file as texts; a number stands for itself."""
    import tomllib

    try:
        text = path.read_text(encoding="utf-8")
        tables = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except OSError as error:
        fail(f"{path}: cannot be read: {error.strerror}", USAGE)
    except ValueError as error:
        fail(f"{path}: {error}", USAGE)
    texts: dict[str, str] = {}
    for table, values in tables.items():
        if table not in {"readings", "design"} or not isinstance(values, dict):
            fail(f'{path}: "{table}" is neither the table readings nor the table design', USAGE)
        texts |= {name: str(value) for name, value in values.items()}
    return texts


def facts(report: EvaluationReport) -> dict[str, Any]:
    """Give a report as plain data, SI throughout."""
    import dataclasses

    return {
        "results": {line.name: dataclasses.asdict(line) for line in report.lines},
        "margin_uncertainty": [dataclasses.asdict(each) for each in report.contributions],
        "over_limit": report.over_limit,
        "cautions": list(report.cautions),
    }


def _show(report: EvaluationReport, units: dict[Quantity, DisplayUnit]) -> None:
    from rich.table import Table

    from config.quantities import Quantity

    console = standard_output()
    rows = (
        (line.description, line.quantity, line.value, line.uncertainty, line.remark or line.how)
        for line in report.lines
    )
    console.print(path_table(rows, units, "how, or why not"))
    if report.contributions:
        kelvin = units[Quantity.TEMPERATURE_DIFFERENCE]
        sources = Table(
            title="\nWhat makes the margin uncertain", title_justify="left", box=None, pad_edge=False
        )
        sources.add_column("source")
        sources.add_column("alone", justify="right")
        sources.add_column("share of the variance", justify="right")
        for each in report.contributions[:6]:
            name = each.source.replace("_", " ")
            sources.add_row(name, plus_minus(each.effect, kelvin), f"{100 * each.share:.0f} %")
        console.print(sources)
    print_cautions(console, report.cautions)
