"""``tegwatch run``: the daemon in the foreground, as a service manager wants it."""

from __future__ import annotations

import asyncio
import functools
import gc
from pathlib import Path
from typing import Annotated, Literal

import typer

from daemon.cli.exits import FAILED, clear_failures, fail

COLLECT_AFTER = 50_000
"""Objects made and not freed before the garbage collector looks at them; 700 is usual, for scripts."""
COLLECT_EVERY = 30.0
"""Time after which it looks at the newest objects at the latest [s]."""


def run(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")],
    *,
    log_format: Annotated[Literal["json", "text"], typer.Option(help="How log lines are written.")] = "json",
) -> None:
    """Watch a site until told to stop (SIGTERM or Ctrl-C). Reads controllers; never writes to one.

    SIGHUP reads the site file again, as `tegwatch reload SITE` does. Example: tegwatch run site.toml
    """
    from config.loader import load_with_texts
    from daemon.app import listen_to_signals, run_daemon
    from daemon.journal.errors import JournalError
    from daemon.logs import configure_logs

    file = site_file.resolve()
    with clear_failures():
        loaded = load_with_texts(file)
    configure_logs(log_format)

    async def main() -> None:
        stop, hang_up = asyncio.Event(), asyncio.Event()
        listen_to_signals(stop, hang_up)
        tidying = asyncio.create_task(collect_now_and_then(), name="garbage collection")
        try:
            await run_daemon(
                loaded.site,
                file.parent,
                stop=stop,
                ready=collect_less,
                texts=loaded.texts,
                load=functools.partial(load_with_texts, file),
                hang_up=hang_up,
            )
        finally:
            tidying.cancel()

    try:
        with asyncio.Runner(loop_factory=_loop_factory()) as runner:
            runner.run(main())
    except (JournalError, OSError) as error:
        fail(str(error), FAILED)


def collect_less() -> None:
    """Spare the garbage collector what was built at the start, and most of its rounds.

    A full round over a thousand units' parts stops every scan for hundreds of milliseconds; a scan leaves
    hardly any cycles. With 300 units this takes collecting from 14 to 4 % of the run time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(COLLECT_AFTER, 20, 100)


async def collect_now_and_then() -> None:
    """Free the newest garbage by time too, until cancelled.

    A small site would otherwise take half an hour until ``COLLECT_AFTER``: the MQTT library leaves a cycle of
    a kilobyte behind every message that comes in, with four messages a second 20 MB/h. Only the youngest
    generation is looked at, which takes a millisecond.
    """
    while True:
        await asyncio.sleep(COLLECT_EVERY)
        gc.collect(0)


def _loop_factory() -> type[asyncio.AbstractEventLoop] | None:
    """Return uvloop's event loop, the cheaper one for many connections; none where it does not exist."""
    try:
        import uvloop
    except ImportError:  # not on every platform
        return None
    return uvloop.Loop
