"""``tegwatch sample add`` and ``tegwatch maintenance add``: entries of people, through the running daemon."""

from __future__ import annotations

import getpass
import time
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.client import ask, open_client, socket_path
from daemon.cli.exits import USAGE, clear_failures, fail

SiteFile = Annotated[Path, typer.Argument(metavar="SITE", help="Site file of the running daemon.")]
UnitName = Annotated[str, typer.Argument(metavar="UNIT", help="Name of the unit.")]
Moment = Annotated[str, typer.Option(help="ISO 8601 (without offset: the site's time zone), or back: -2h.")]
Note = Annotated[str, typer.Option("--note", help="A remark for the record.")]
Actor = Annotated[str, typer.Option("--as", help="Who enters it; default: your login name.")]

samples = typer.Typer(no_args_is_help=True, help="Laboratory samples of the glycol, kept in the journal.")
maintenance = typer.Typer(no_args_is_help=True, help="Maintenance work at a unit, kept in the journal.")


@samples.callback()
def _samples() -> None:
    """Laboratory samples of the glycol, kept in the journal."""


@maintenance.callback()
def _maintenance() -> None:
    """Maintenance work at a unit, kept in the journal."""


@samples.command(
    "add",
    epilog="Example: tegwatch sample add site.toml north --lean-water 1.2wt% --ph 7.3 --chlorides 350mg/kg",
)
def add_sample(
    site_file: SiteFile,
    unit: UnitName,
    *,
    lean_water: Annotated[str, typer.Option(help='Water in the lean glycol, for example "1.2 wt%".')] = "",
    rich_water: Annotated[str, typer.Option(help='Water in the rich glycol, for example "4.8 wt%".')] = "",
    ph: Annotated[
        float | None, typer.Option("--ph", help="pH of the lean glycol.", min=0.0, max=14.0)
    ] = None,
    chlorides: Annotated[str, typer.Option(help='Chlorides, for example "350 mg/kg".')] = "",
    solids: Annotated[str, typer.Option(help='Suspended solids, for example "0.02 wt%".')] = "",
    taken: Moment = "now",
    note: Note = "",
    actor: Actor = "",
) -> None:
    """Keep what the laboratory found in a sample of the glycol.

    It stands in tegwatch history --records. Numbers need their unit. Water in the lean glycol corrects the
    calculated purity, so give the time at which the sample was drawn (--taken): it is compared with what was
    calculated then.
    """
    from config.quantities import Quantity
    from config.units import UnitError, parse_quantity

    body: dict[str, object] = {}
    texts = {"lean_water": lean_water, "rich_water": rich_water, "chlorides": chlorides, "solids": solids}
    for name, text in texts.items():
        if text:
            try:
                body[name] = parse_quantity(text, Quantity.MASS_FRACTION)
            except UnitError as error:
                fail(f"--{name.replace('_', '-')}: {error}", USAGE)
    if ph is not None:
        body["ph"] = ph
    if not body:
        fail("a sample needs at least one value, for example --lean-water 1.2wt%", USAGE)
    _enter(site_file, f"/v1/units/{unit}/samples", "taken", taken, {**body, "note": note, "actor": actor})


@maintenance.command(
    "add", epilog='Example: tegwatch maintenance add site.toml north "filter change" --note "element of 5 um"'
)
def add_maintenance(
    site_file: SiteFile,
    unit: UnitName,
    work: Annotated[
        str,
        typer.Argument(
            metavar="WORK",
            help="glycol change, glycol top-up, filter change, pump swap, pump overhaul, "
            "instrument calibration, cleaning or other.",
        ),
    ],
    *,
    done: Moment = "now",
    note: Note = "",
    actor: Actor = "",
) -> None:
    """Keep that work was done at a unit. It stands in tegwatch history --records.

    After a glycol change or an instrument calibration, lean purity is calculated without earlier samples.
    """
    from daemon.logbook import WORK

    if work not in WORK:
        fail(f'"{work}" is none of: {", ".join(WORK)}', USAGE)
    body: dict[str, object] = {"work": work, "note": note, "actor": actor}
    _enter(site_file, f"/v1/units/{unit}/maintenance", "done", done, body)


def _enter(site_file: Path, route: str, when: str, moment: str, body: dict[str, object]) -> None:
    from config.loader import load_site
    from daemon.times import parse_time, zone_named

    with clear_failures():
        site = load_site(site_file)
        if moment != "now":  # the daemon's clock says what now is
            try:
                body[when] = parse_time(moment, time.time(), zone_named(site.site.time_zone))
            except ValueError as error:
                fail(f"--{when}: {error}", USAGE)
        body["actor"] = body["actor"] or getpass.getuser()
        with open_client(socket_path(site_file, site)) as client:
            answer = ask(client, "POST", route, body)
    assert isinstance(answer, dict)  # noqa: S101 - the route's schema
    print(f"kept: {answer['kept']}")
    for effect in answer["effects"]:
        print(effect)
