"""``tegwatch simulate``: the field simulator alone, in a process of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.exits import FAILED, USAGE, clear_failures, fail


def simulate(
    site_file: Annotated[
        Path, typer.Argument(metavar="SITE", help="Site file whose controllers are played.")
    ],
    *,
    story: Annotated[
        str, typer.Option(help="Story by name, or a TOML file; a wrong name is answered with the list.")
    ] = "calm",
    time_factor: Annotated[
        float | None,
        typer.Option(
            help="How much faster hold-ups and lags pass; stroke, gas and glycol rates stay true. "
            "Default: what the story was written for.",
            min=0.01,
            max=1000.0,
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed gives the same run.")] = 0,
    duration: Annotated[float | None, typer.Option(help="Stop after this many seconds.", min=0.1)] = None,
    bind: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    free_ports: Annotated[
        bool, typer.Option("--free-ports", help="Take free ports, not the site file's, and print them.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line.")] = False,
) -> None:
    """Play the controllers of a site: simulated plants on real Modbus TCP and MQTT, with upsets.

    Nothing real is read or written: it listens where SITE says and answers as the controllers would.
    Example: tegwatch simulate demo.toml --story demo
    """
    from config.loader import load_site
    from daemon.fieldsim.registers import LayoutError
    from daemon.fieldsim.scenarios import StoryError, find_story
    from daemon.fieldsim.simulator import SimulationEvent, SimulationSettings, run_simulator

    def report(event: SimulationEvent) -> None:
        if as_json:
            fields = {"event": event.kind, "subject": event.subject, "text": event.text}
            print(json.dumps({**fields, "elapsed": round(event.elapsed, 3), "port": event.port}), flush=True)
        else:
            print(f"{event.elapsed:8.1f} s  {event.subject:<14} {event.kind}: {event.text}", flush=True)

    with clear_failures():
        site = load_site(site_file)
    try:
        settings = SimulationSettings(
            story=find_story(story),
            seed=seed,
            time_factor=time_factor,
            bind=bind,
            free_ports=free_ports,
            duration=duration,
        )
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is how it is meant to end
            asyncio.run(run_simulator(site, settings, report))
    except StoryError as error:
        fail(str(error), USAGE)
    except (LayoutError, OSError) as error:
        fail(f"cannot simulate {site_file}: {error}", FAILED)
