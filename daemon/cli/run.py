"""``tegwatch run``: the daemon in the foreground, as a service manager wants it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Literal

import typer

from daemon.cli.exits import FAILED, clear_failures, fail


def run(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")],
    *,
    log_format: Annotated[Literal["json", "text"], typer.Option(help="How log lines are written.")] = "json",
) -> None:
    """Watch a site until told to stop (SIGTERM or Ctrl-C). Reads controllers; never writes to one.

    SIGHUP reads the site file again, as `tegwatch reload SITE` does.
    """
    from config.loader import load_site
    from daemon.app import listen_to_signals, run_daemon
    from daemon.journal.errors import JournalError
    from daemon.logs import configure_logs

    file = site_file.resolve()
    with clear_failures():
        site = load_site(file)
    configure_logs(log_format)

    async def main() -> None:
        stop, hang_up = asyncio.Event(), asyncio.Event()
        listen_to_signals(stop, hang_up)
        await run_daemon(site, file.parent, stop=stop, load=lambda: load_site(file), hang_up=hang_up)

    try:
        with asyncio.Runner(loop_factory=_loop_factory()) as runner:
            runner.run(main())
    except (JournalError, OSError) as error:
        fail(str(error), FAILED)


def _loop_factory() -> type[asyncio.AbstractEventLoop] | None:
    """Return uvloop's event loop, the cheaper one for many connections; none where it does not exist."""
    try:
        import uvloop
    except ImportError:  # not on every platform
        return None
    return uvloop.Loop
