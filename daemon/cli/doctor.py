"""``tegwatch doctor``: what somebody who helps from afar needs to know, in one file and without secrets."""

from __future__ import annotations

import datetime
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.exits import FAILED, fail


def doctor(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")],
    *,
    log: Annotated[list[Path] | None, typer.Option(help="Log file to add the end of; repeatable.")] = None,
    output: Annotated[Path | None, typer.Option(help="Archive to write; default: by the time.")] = None,
) -> None:
    """Gather a support bundle: versions, configuration, health, alarms, journal check, disk, clock, logs.

    Secrets are taken out: those in files that the site file names, wherever they turn up, and whatever looks
    like one. Look through it before you send it. Works with and without a running daemon.
    Example: journalctl -u tegwatch -n 2000 > daemon.log; tegwatch doctor site.toml --log daemon.log
    """
    from daemon.cli.support_bundle import gather, write_bundle

    now = time.time()
    stamp = datetime.datetime.fromtimestamp(now, datetime.UTC).strftime("%Y%m%dT%H%M%SZ")
    path = output or Path(f"tegwatch-support-{stamp}.tar.gz")
    parts = gather(site_file, log or ())
    try:
        write_bundle(parts, path, now)
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}", FAILED)
    for part in parts:
        print(f"{len(part.text.encode()):>10} bytes  {part.name}", file=sys.stderr)
    print(path)
