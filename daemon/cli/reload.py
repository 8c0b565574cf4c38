"""``tegwatch reload``: let a running daemon take its changed site file into force."""

from __future__ import annotations

import getpass
import json
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.client import ask, open_client, socket_path
from daemon.cli.exits import clear_failures

PATIENCE = 60.0
"""How long the daemon may take [s]: it first checks the file and builds everything anew."""


def reload(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file of the running daemon.")],
    *,
    reason: Annotated[str, typer.Option("--reason", help="Why; kept in the journal.")],
    actor: Annotated[str, typer.Option("--as", help="Who asks; default: your login name.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program.")] = False,
) -> None:
    """Take the changed site file into force: as a whole, or not at all where anything in it is wrong.

    Alarms keep state, shelvings and delays, and no scan is left out. [web], [journal] path, [api] socket and
    the site's name need a restart. Example: tegwatch reload site.toml --reason "new analyzer, MOC 12"
    """
    from config.loader import load_site
    from daemon.web.schemas import ReloadAnswer

    with clear_failures():
        site = load_site(site_file)
        with open_client(socket_path(site_file, site), PATIENCE) as client:
            body = {"actor": actor or getpass.getuser(), "reason": reason}
            answer = ask(client, "POST", "/v1/configuration/reload", body)
    if as_json:
        print(json.dumps(answer, indent=2, ensure_ascii=False))
        return
    report = ReloadAnswer.model_validate(answer)
    if not report.changed:
        print(f"nothing has changed; configuration {report.configuration} is in force")
        return
    print(f"configuration {report.configuration} is in force; it was {report.previous}")
    for key in report.changed:
        print(f"  {key}")
