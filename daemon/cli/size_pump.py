"""``tegwatch size-pump``: how much glycol a gas needs, and which pump suits."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.console import standard_output
from daemon.cli.exits import FAILED, FINDINGS, USAGE, fail
from daemon.cli.path_table import path_table, print_cautions

if TYPE_CHECKING:
    from calc.pump import PumpDesign
    from config.quantities import Quantity
    from config.units import DisplayUnit, UnitContext
    from daemon.cli.pump_sizing import SizingReport, SizingRequest

PUMP_FORM = '"name, displacement, stall rate, maximum rate" and, if known, ", efficiency"'


def size_pump(
    temperature: Annotated[str, typer.Option(help='Hottest gas, "100 degF".')],
    pressure: Annotated[str, typer.Option(help='Contactor pressure, "1000 psig".')],
    rate: Annotated[str, typer.Option(help='Highest gas rate, "50 MMscfd".')],
    *,
    lowest_temperature: Annotated[str, typer.Option(help="Coldest gas of the season.")] = "",
    lowest_rate: Annotated[str, typer.Option(help="Lowest gas rate of the season.")] = "",
    limit: Annotated[str, typer.Option(help="Water content to reach.")] = "7 lb/MMscf",
    ratio: Annotated[str, typer.Option(help="Glycol per water removed.")] = "3 gal/lb",
    lean: Annotated[str, typer.Option(help='Purity of the lean glycol, "98.9 wt%".')] = "",
    stages: Annotated[float, typer.Option(help="Equilibrium stages of the contactor.")] = 2.0,
    gravity: Annotated[float, typer.Option(help="Specific gravity of the gas.")] = 0.65,
    carbon_dioxide: Annotated[str, typer.Option("--co2", help="In the gas.")] = "0 mol%",
    hydrogen_sulfide: Annotated[str, typer.Option("--h2s", help="In the gas.")] = "0 mol%",
    stroke_rate: Annotated[str, typer.Option(help="Stroke rate to size for.")] = "25 /min",
    flash_pressure: Annotated[str, typer.Option(help="Where rich glycol goes to.")] = "50 psig",
    barometric: Annotated[str, typer.Option(help="What a gauge reads as zero.")] = "101.325 kPaa",
    gas_base: Annotated[str, typer.Option(help="Base of a standard cubic foot.")] = "60 degF, 14.696 psia",
    pump: Annotated[list[str] | None, typer.Option(help=f"An installed pump, {PUMP_FORM}.")] = None,
    units: Annotated[str, typer.Option(help="us or si.")] = "us",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program, in SI.")] = False,
) -> None:
    """Say how much glycol a gas needs, which installed pump suits, and what an energy-exchange pump spends.

    Exit code 0: done; 1: cannot be calculated; 2: a value cannot be read; 6: no pump is large enough, or the
    limit out of reach.
    Example: tegwatch size-pump --temperature "100 degF" --pressure "1000 psig" --rate "50 MMscfd"
    --pump "north, 0.25 gal, 8 /min, 40 /min"
    """
    from calc.errors import CalcError
    from config.quantities import Quantity
    from config.units import BASES, UnitContext, UnitError, display_units, parse_quantity
    from daemon.cli.pump_sizing import Load, SizingRequest, size

    if units not in {"us", "si"}:
        fail(f'--units is "{units}"; write us or si', USAGE)
    if gas_base not in BASES:
        fail(f'--gas-base is "{gas_base}"; write one of: {"; ".join(BASES)}', USAGE)
    context = UnitContext()  # the barometric pressure is read first; gauge pressures then count from it

    def read(option: str, text: str, quantity: Quantity) -> float:
        try:
            return parse_quantity(text, quantity, context)
        except UnitError as error:
            fail(f"--{option}: {error}", USAGE)

    context = UnitContext(read("barometric", barometric, Quantity.PRESSURE), gas_base)
    highest = Load(
        read("temperature", temperature, Quantity.TEMPERATURE), read("rate", rate, Quantity.GAS_RATE)
    )
    lowest = Load(
        read("lowest-temperature", lowest_temperature or temperature, Quantity.TEMPERATURE),
        read("lowest-rate", lowest_rate or rate, Quantity.GAS_RATE),
    )
    try:
        request = SizingRequest(
            highest=highest,
            lowest=lowest,
            pressure=read("pressure", pressure, Quantity.PRESSURE),
            limit_water_content=read("limit", limit, Quantity.WATER_CONTENT),
            circulation_ratio=read("ratio", ratio, Quantity.CIRCULATION_RATIO),
            specific_gravity=gravity,
            carbon_dioxide=read("co2", carbon_dioxide, Quantity.FRACTION),
            hydrogen_sulfide=read("h2s", hydrogen_sulfide, Quantity.FRACTION),
            design_stroke_rate=read("stroke-rate", stroke_rate, Quantity.STROKE_RATE),
            return_pressure=read("flash-pressure", flash_pressure, Quantity.PRESSURE),
            barometric_pressure=context.barometric_pressure,
            lean_mass_fraction=read("lean", lean, Quantity.MASS_FRACTION) if lean else None,
            stages=stages,
            pumps=tuple(_pump(text, context) for text in pump or ()),
        )
        report = size(request)
    except CalcError as error:
        fail(str(error), FAILED)
    if as_json:
        print(json.dumps(facts(request, report), indent=2, ensure_ascii=False))
    else:
        _show(report, {**display_units(units, context), Quantity.GAS_RATE: _drive_gas_unit(units, context)})
    if not report.served:
        raise typer.Exit(FINDINGS)


def _pump(text: str, context: UnitContext) -> PumpDesign:
    from calc.errors import CalcError
    from calc.pump import PumpDesign
    from config.quantities import Quantity
    from config.units import UnitError, parse_quantity

    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in {4, 5}:
        fail(f'--pump is "{text}"; write {PUMP_FORM}, as "north, 0.05 gal, 8 /min, 40 /min, 0.95"', USAGE)
    try:
        return PumpDesign(
            parts[0],
            parse_quantity(parts[1], Quantity.VOLUME, context),
            parse_quantity(parts[2], Quantity.STROKE_RATE, context),
            parse_quantity(parts[3], Quantity.STROKE_RATE, context),
            parse_quantity(parts[4], Quantity.NUMBER, context) if len(parts) == 5 else 0.95,
        )
    except (UnitError, CalcError) as error:
        fail(f'--pump "{text}": {error}', USAGE)


def facts(request: SizingRequest, report: SizingReport) -> dict[str, Any]:
    """Give a report as plain data, SI throughout."""
    import dataclasses

    return {
        "request": dataclasses.asdict(request),
        "steps": [dataclasses.asdict(step) for step in report.steps],
        "pumps": [dataclasses.asdict(each) for each in report.fits],
        "served": report.served,
        "cautions": list(report.cautions),
    }


def _drive_gas_unit(system: str, context: UnitContext) -> DisplayUnit:
    """Return how a pump's drive gas is shown: it is a thousandth of the gas that a unit dries."""
    from config.quantities import Quantity
    from config.units import DisplayUnit, conversion

    symbol, decimals = ("Mscfd", 2) if system == "us" else ("Sm3/h", 1)
    return DisplayUnit(symbol, conversion(symbol, Quantity.GAS_RATE, context), decimals)


def _show(report: SizingReport, units: dict[Quantity, DisplayUnit]) -> None:
    from rich.table import Table

    from config.quantities import Quantity

    console = standard_output()
    rows = ((step.name, step.quantity, step.value, step.uncertainty, step.how) for step in report.steps)
    console.print(path_table(rows, units, "how"))
    if report.fits:
        strokes = units[Quantity.STROKE_RATE]
        pumps = Table(
            title="\nPumps, the most suitable first", title_justify="left", box=None, pad_edge=False
        )
        for heading in ("pump", "verdict", "lowest load", "highest load", "over-circulation", "reserve"):
            pumps.add_column(heading, justify="left" if heading in {"pump", "verdict"} else "right")
        for each in report.fits:
            pumps.add_row(
                each.pump,
                each.fit.value,
                strokes.format(each.lowest_stroke_rate),
                strokes.format(each.highest_stroke_rate),
                f"x {each.overcirculation:.2f}",
                f"x {each.reserve:.2f}",
            )
        console.print(pumps)
    print_cautions(console, report.cautions)
