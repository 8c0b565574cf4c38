"""``tegwatch init``: a starter site file from options or questions; the long example; the schema."""

from __future__ import annotations

import json
import sys
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

import typer

from daemon.cli.exits import FAILED, clear_failures, fail

PORTS = {"modbus-tcp": 502, "mqtt": 1883}


def init(
    site_file: Annotated[
        Path | None, typer.Argument(metavar="[SITE]", help="File to write; must not exist yet.")
    ] = None,
    *,
    name: Annotated[str | None, typer.Option(help="Short name: lower case, digits, - and _.")] = None,
    title: Annotated[str | None, typer.Option(help="Name for people.")] = None,
    elevation: Annotated[
        str | None, typer.Option(help='Height above sea level, for example "1520 ft".')
    ] = None,
    unit_system: Annotated[Literal["us", "si"] | None, typer.Option("--units", help="Units shown.")] = None,
    limit: Annotated[
        str | None, typer.Option(help='Pipeline limit, "7 lb/MMscf" or "-8 degC at 70 barg".')
    ] = None,
    protocol: Annotated[
        Literal["modbus-tcp", "mqtt"] | None, typer.Option(help="How the controller is read.")
    ] = None,
    host: Annotated[str | None, typer.Option(help="Address of the controller or broker.")] = None,
    port: Annotated[int | None, typer.Option(help="Its TCP port; default 502 or 1883.")] = None,
    unit: Annotated[list[str] | None, typer.Option(help="Name of a dehydration unit; repeatable.")] = None,
    time_zone: Annotated[str, typer.Option(help="For display, for example America/Chicago.")] = "UTC",
    explained: Annotated[
        bool, typer.Option("--explained", help="Print or write the example that explains every option.")
    ] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of site files, for editors.")
    ] = False,
) -> None:
    """Write a starter site file that is valid as it stands; on a terminal it asks for what no option says.

    Nothing is read from a controller. Example:
    tegwatch init site.toml --name north-field --elevation "1520 ft" --host 192.0.2.10
    """
    if schema:
        from config.json_schema import site_schema

        print(json.dumps(site_schema(), indent=2, ensure_ascii=False))
        return
    if explained:
        text = files("config").joinpath("examples/first-site.toml").read_text(encoding="utf-8")
        _write(site_file, text)
        return
    from daemon.cli.starter import Starter, starter_site

    name = name if name is not None else _ask("Short name of the site", "my-site")
    shown_in = unit_system if unit_system is not None else _ask("Units, us or si", "us")
    by = protocol if protocol is not None else _ask("Protocol, modbus-tcp or mqtt", "modbus-tcp")
    if shown_in not in {"us", "si"} or by not in PORTS:
        fail("units are us or si, the protocol is modbus-tcp or mqtt", FAILED)
    answers = Starter(
        name=name,
        title=title if title is not None else _ask("Name for people", name),
        elevation=elevation
        if elevation is not None
        else _ask("Height above sea level", "0 ft" if shown_in == "us" else "0 m"),
        unit_system="us" if shown_in == "us" else "si",
        time_zone=time_zone,
        limit=limit
        if limit is not None
        else _ask(
            "Pipeline limit, a water content or a dew point at a pressure",
            "7 lb/MMscf" if shown_in == "us" else "112 mg/Sm3",
        ),
        protocol="mqtt" if by == "mqtt" else "modbus-tcp",
        host=host if host is not None else _ask("Address of the controller or broker", "192.0.2.10"),
        port=port if port is not None else PORTS[by],
        units=tuple(unit or ("unit-1",)),
    )
    text = starter_site(answers)
    from config.loader import parse_site

    with clear_failures():  # what was answered may not fit: nothing is written then
        parse_site(text, str(site_file or "the answers"))
    _write(site_file, text)


def _ask(question: str, default: str) -> str:
    """Ask on a terminal; elsewhere the default stands, and its line in the file says so."""
    if not sys.stdin.isatty():
        return default
    return str(typer.prompt(question, default=default, err=True))


def _write(path: Path | None, text: str) -> None:
    if path is None:
        print(text, end="")
        return
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        fail(f"{path} is there already; nothing was written", FAILED)
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}", FAILED)
    print(f"{path} is written; next: tegwatch check {path}", file=sys.stderr)
