"""``tegwatch alarms``: list, explain, acknowledge, shelve. Always through the running daemon."""

from __future__ import annotations

import difflib
import getpass
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from daemon.cli.client import ask, open_client, socket_path
from daemon.cli.console import standard_output
from daemon.cli.exits import FAILED, FINDINGS, REFUSED, USAGE, clear_failures, fail

if TYPE_CHECKING:
    from daemon.web.schemas import AlarmView

SiteFile = Annotated[Path, typer.Argument(metavar="SITE", help="Site file of the running daemon.")]
UnitName = Annotated[str, typer.Argument(metavar="UNIT", help="Name of the unit.")]
AlarmName = Annotated[str, typer.Argument(metavar="ALARM", help="Name of the alarm, as in the list.")]
Actor = Annotated[str, typer.Option("--as", help="Who asks; default: your login name.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a program.")]
Comment = Annotated[str, typer.Option("--comment", help="A remark for the record.")]
Reason = Annotated[str, typer.Option("--reason", help="Why; kept with the alarm.")]

app = typer.Typer(
    no_args_is_help=True,
    help="Alarms of a running daemon: list, explain, acknowledge, shelve. Nothing here reaches a controller.",
)


def _request(site_file: Path, method: str, route: str, body: object = None) -> Any:
    from config.loader import load_site

    with clear_failures(), open_client(socket_path(site_file, load_site(site_file))) as client:
        return ask(client, method, route, body)


def _found(listed: Any, unit: str, alarm: str) -> AlarmView:
    """Return one alarm of those that the daemon lists; leave with a message where there is no such."""
    from daemon.web.schemas import AlarmView

    views = [AlarmView.model_validate(one) for one in listed]
    found = next((view for view in views if (view.unit, view.alarm) == (unit, alarm)), None)
    if found is None:
        units = sorted({view.unit for view in views})
        if unit and unit not in units:
            fail(f'there is no unit "{unit}"; there are: {", ".join(units)}', FAILED)
        near = difflib.get_close_matches(alarm, [view.alarm for view in views if unit in {"", view.unit}], 1)
        hint = f"did you mean {near[0]}?" if near else "tegwatch alarms list --all names them"
        fail(f"{unit or 'no unit'} has {'no' if unit else 'an'} alarm {alarm}; {hint}", FAILED)
    return found


@app.command("list", epilog="Example: tegwatch alarms list site.toml")
def list_alarms(
    site_file: SiteFile,
    *,
    everything: Annotated[bool, typer.Option("--all", help="Also alarms that are normal.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the alarms that are not normal, the most urgent first."""
    from daemon.web.schemas import AlarmView
    from daemon.web.urgency import most_urgent_first

    answer = _request(site_file, "GET", f"/v1/alarms?all={str(everything).lower()}")
    if as_json:
        print(json.dumps(answer, indent=2, ensure_ascii=False))
        return
    alarms = most_urgent_first(AlarmView.model_validate(one) for one in answer)
    if not alarms:
        print("no alarms")
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("priority", "state", "unit", "alarm", "since", "message", "occurrence"):
        table.add_column(heading, overflow="fold")
    for alarm in alarms:
        since = f"until {alarm.shelved_until}" if alarm.shelved_until else alarm.since or ""
        row = (alarm.priority, alarm.state, alarm.unit, alarm.alarm, since, alarm.message)
        table.add_row(*row, alarm.occurrence)
    standard_output().print(table)


@app.command(epilog="Example: tegwatch alarms catalogue site.toml --markdown > alarms.md")
def catalogue(
    site_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[SITE]", help="Site file, for its own set points; default: the packaged set."
        ),
    ] = None,
    *,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="Print Markdown, to print or publish.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Say what every alarm means: consequence, causes, response, time to respond. Needs no running daemon."""
    from daemon.cli.alarm_catalogue import packaged_entries, show_catalogue, site_entries

    if site_file is None:
        entries = packaged_entries()
    else:
        from config.loader import load_site

        with clear_failures():
            entries = site_entries(load_site(site_file))
    if as_json:
        print(json.dumps([entry.facts() for entry in entries], indent=2, ensure_ascii=False))
        return
    show_catalogue(entries, markdown=markdown)


@app.command(epilog="Example: tegwatch alarms explain site.toml north reboiler_temperature_high")
def explain(
    site_file: SiteFile,
    names: Annotated[
        list[str],
        typer.Argument(metavar="[UNIT] ALARM", help="The alarm; without UNIT where one unit only has it."),
    ],
    *,
    as_json: AsJson = False,
) -> None:
    """Say what an alarm means, how it stands, what may be behind it now, and what to do.

    Causes are ranked by what moves on the unit, each with what speaks for and against it: no verdict. Without
    a running daemon, "tegwatch alarms catalogue SITE" tells the definitions.
    """
    from daemon.cli.alarm_explained import show_explained
    from daemon.web.schemas import AlarmView

    if len(names) > 2:
        fail(f"{len(names)} names are given; write the unit and the alarm", USAGE)
    unit, alarm = names if len(names) == 2 else ("", names[0])
    listed = _request(site_file, "GET", "/v1/alarms?all=true")
    if not unit:
        having = [one["unit"] for one in listed if one["alarm"] == alarm]
        if len(having) > 1:
            fail(f"several units have {alarm}: {', '.join(having)}; write the unit before it", USAGE)
        unit = having[0] if having else ""
    found = _found(listed, unit, alarm)
    answer = _request(site_file, "GET", f"/v1/alarms/{found.unit}/{found.alarm}")
    if as_json:
        print(json.dumps(answer, indent=2, ensure_ascii=False))
    else:
        show_explained(AlarmView.model_validate(answer), standard_output())


def _act(site_file: Path, unit: str, alarm: str, action: str, body: dict[str, object]) -> None:
    from daemon.web.schemas import ActionAnswer

    body["actor"] = body["actor"] or getpass.getuser()
    answer = _request(site_file, "POST", f"/v1/alarms/{unit}/{alarm}/{action}", body)
    transitions = ActionAnswer.model_validate(answer).transitions
    for step in transitions:
        print(f"{step.unit} {step.alarm}: {step.previous} -> {step.state} ({step.event}) by {step.actor}")
    if not transitions:
        print(f"{unit} {alarm}: already so, nothing changed")


@app.command(
    epilog='Example: tegwatch alarms acknowledge site.toml north dew_point_margin_low --comment "on it"'
)
def acknowledge(
    site_file: SiteFile,
    unit: UnitName,
    alarm: AlarmName,
    *,
    occurrence: Annotated[
        str, typer.Option(help="The occurrence you saw, from the list; default: the present one.")
    ] = "",
    comment: Comment = "",
    actor: Actor = "",
) -> None:
    """Say that you have seen an alarm and act on it."""
    if not occurrence:
        present = _found(_request(site_file, "GET", "/v1/alarms?all=true"), unit, alarm)
        if not present.occurrence:
            fail(f"{unit} {alarm} is {present.state}: nothing to acknowledge", REFUSED)
        occurrence = present.occurrence
    body: dict[str, object] = {"actor": actor, "occurrence": occurrence, "comment": comment}
    _act(site_file, unit, alarm, "acknowledge", body)


@app.command(
    epilog='Example: tegwatch alarms shelve site.toml north surge_level_low --for "4 h" --reason "gauge swap"'
)
def shelve(
    site_file: SiteFile,
    unit: UnitName,
    alarm: AlarmName,
    *,
    reason: Reason,
    duration: Annotated[
        str, typer.Option("--for", help='How long, for example "2 h"; at most 24 h; default: 8 h.')
    ] = "",
    until_return: Annotated[
        bool,
        typer.Option("--until-return", help="Until its condition is gone; without --for 24 h at most."),
    ] = False,
    actor: Actor = "",
) -> None:
    """Take an alarm from view for a limited time. It always comes back by itself."""
    from config.quantities import Quantity
    from config.units import UnitError, parse_quantity

    try:
        seconds = parse_quantity(duration, Quantity.DURATION) if duration else 0.0
    except UnitError as error:
        fail(f"--for: {error}", USAGE)
    body: dict[str, object] = {"actor": actor, "duration": seconds, "comment": reason}
    body["until_return"] = until_return
    _act(site_file, unit, alarm, "shelve", body)


@app.command(epilog="Example: tegwatch alarms unshelve site.toml north surge_level_low")
def unshelve(
    site_file: SiteFile, unit: UnitName, alarm: AlarmName, *, comment: Comment = "", actor: Actor = ""
) -> None:
    """Bring a shelved alarm back now."""
    _act(site_file, unit, alarm, "unshelve", {"actor": actor, "comment": comment})


@app.command(epilog="Example: tegwatch alarms reset site.toml north reboiler_temperature_high_high")
def reset(
    site_file: SiteFile, unit: UnitName, alarm: AlarmName, *, comment: Comment = "", actor: Actor = ""
) -> None:
    """Clear a latched alarm whose condition is gone."""
    _act(site_file, unit, alarm, "reset", {"actor": actor, "comment": comment})


@app.command(
    "out-of-service",
    epilog='Example: tegwatch alarms out-of-service site.toml north surge_level_low --reason "MOC 12"',
)
def out_of_service(
    site_file: SiteFile, unit: UnitName, alarm: AlarmName, *, reason: Reason, actor: Actor = ""
) -> None:
    """Remove an alarm from service for maintenance, until it is returned."""
    _act(site_file, unit, alarm, "remove-from-service", {"actor": actor, "comment": reason})


@app.command(
    "in-service", epilog="Example: tegwatch alarms in-service site.toml north reboiler_temperature_low"
)
def in_service(
    site_file: SiteFile, unit: UnitName, alarm: AlarmName, *, comment: Comment = "", actor: Actor = ""
) -> None:
    """Return an alarm to service."""
    _act(site_file, unit, alarm, "return-to-service", {"actor": actor, "comment": comment})


@app.command("test-route", epilog="Example: tegwatch alarms test-route site.toml control-room")
def test_route(site_file: SiteFile, name: Annotated[str, typer.Argument(help="Name of the sink.")]) -> None:
    """Send a test message by one route and say whether its receiver took it."""
    from config.loader import load_site

    with clear_failures(), open_client(socket_path(site_file, load_site(site_file)), 60.0) as client:
        ask(client, "POST", f"/v1/sinks/{name}/test")
    print(f"{name} took the test message")


@app.command(epilog="Example: tegwatch alarms performance site.toml --from -30d")
def performance(
    site_file: Annotated[
        Path, typer.Argument(metavar="SITE", help="Site file; a running daemon is not needed.")
    ],
    *,
    start: Annotated[
        str, typer.Option("--from", help="ISO 8601, or back from now: -30d; the standard asks for 30 days.")
    ] = "-30d",
    end: Annotated[str, typer.Option("--to", help="As --from.")] = "now",
    unit: Annotated[str, typer.Option("--unit", help="Of one unit only; daemon for the program's own.")] = "",
    as_json: AsJson = False,
) -> None:
    """Say how well the alarms serve their operator: rates, floods, nuisances, against ISA-18.2 targets.

    Reads the journal's file. Exit code 0: every figure that can be judged meets its target; 6: one does not.
    """
    import time

    from config.loader import load_site
    from daemon.cli import alarm_performance
    from daemon.journal.errors import JournalError
    from daemon.times import parse_time, zone_named

    with clear_failures():
        site = load_site(site_file)
        now, zone = time.time(), zone_named(site.site.time_zone)
        try:
            begin, until = parse_time(start, now, zone), parse_time(end, now, zone)
        except ValueError as error:
            fail(str(error), USAGE)
        if not until > begin:
            fail(f"--to {end} is not after --from {start}", USAGE)
        journal = site_file.resolve().parent / site.journal.path
        try:
            figures = alarm_performance.figures_of(journal, begin, until, unit or None)
        except JournalError as error:
            fail(str(error), FAILED)
    if as_json:
        print(alarm_performance.as_json(figures))
    else:
        alarm_performance.show(figures, standard_output())
    if alarm_performance.missed(figures):
        raise typer.Exit(FINDINGS)
