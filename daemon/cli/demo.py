"""``tegwatch demo``: an invented site in one process tree, seen live in the terminal and in a browser.

Three processes that meet only on the wire: this one (broker and view), the field simulator (Modbus server,
MQTT publisher) and the daemon itself, exactly as it runs at a real site.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
import socket
import sys
import tempfile
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.exits import FAILED, fail

if TYPE_CHECKING:
    from daemon.cli.demo_page import Page

START_LIMIT = 30.0
"""How long the daemon may take to answer [s]."""


@dataclass(frozen=True, slots=True)
class _Options:
    duration: float | None
    headless: bool
    as_json: bool
    seed: int


def demo(
    *,
    duration: Annotated[float | None, typer.Option(help="Stop after this many seconds.")] = None,
    headless: Annotated[bool, typer.Option("--headless", help="Print lines instead of a live view.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON lines; implies --headless.")] = False,
    seed: Annotated[int, typer.Option(help="Seed of the simulated noise.")] = 1,
    keep: Annotated[Path | None, typer.Option(help="Folder for site file, journal and logs; kept.")] = None,
) -> None:
    """Show an invented site with two units going through an upset. Needs nothing but this program.

    The reboiler of one unit overheats, the pump of the other falls below its stall rate; alarms come, say
    what they mean, and go. The control-room page opens in a browser on this box: address, name and a
    password for this run are printed at the start. Example: tegwatch demo --duration 120
    """
    from daemon.cli.processes import ChildFailed

    live = not headless and not as_json and sys.stdout.isatty()
    options = _Options(duration, not live, as_json, seed)
    with contextlib.ExitStack() as stack:
        if keep is not None:
            keep.mkdir(parents=True, exist_ok=True)
        folder = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tegwatch-demo-")))
        try:
            asyncio.run(_demo(folder, options))
        except ChildFailed as error:
            fail(str(error), FAILED)
        except TimeoutError:
            fail(
                f"the daemon did not answer within {START_LIMIT:g} s; its log is {folder / 'daemon.log'}",
                FAILED,
            )


async def _demo(folder: Path, options: _Options) -> None:
    from daemon.cli.demo_page import page_for_one_run
    from daemon.cli.processes import Child
    from daemon.fieldsim.broker import embedded_broker

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    modbus_port, mqtt_port, web_port = _free_ports(3)
    site_file = folder / "demo.toml"
    site_file.write_text(_site_text(modbus_port, mqtt_port, web_port))
    simulator = Child(
        "the field simulator",
        ["simulate", str(site_file), "--story", "demo", "--seed", str(options.seed), "--json"],
        folder / "simulator.log",
    )
    daemon = Child("the daemon", ["run", str(site_file)], folder / "daemon.log")
    async with contextlib.AsyncExitStack() as stack:
        page = stack.enter_context(page_for_one_run(folder, web_port))
        for part in (embedded_broker(mqtt_port), simulator, daemon):
            await stack.enter_async_context(part)
        watching = [
            asyncio.create_task(stop.wait(), name="signal"),
            asyncio.create_task(simulator.ended(), name="simulator"),
            asyncio.create_task(daemon.ended(), name="daemon"),
            asyncio.create_task(_watch(site_file, page, simulator, options), name="view"),
        ]
        done, pending = await asyncio.wait(
            watching, timeout=options.duration, return_when=asyncio.FIRST_COMPLETED
        )
        for task in pending:
            task.cancel()
        await asyncio.gather(*pending, return_exceptions=True)
        for task in done:
            task.result()


def _free_ports(count: int) -> list[int]:
    """Find ports that nobody listens on, all different."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]


def _site_text(modbus_port: int, mqtt_port: int, web_port: int) -> str:
    """Return the packaged demonstration site with the ports that are free on this box."""
    text = files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    ports = {"15020": str(modbus_port), "18830": str(mqtt_port), "8321": str(web_port)}
    return re.sub(r"^port = (\d+)", lambda found: f"port = {ports[found[1]]}", text, flags=re.MULTILINE)


async def _watch(site_file: Path, page: Page, simulator: Any, options: _Options) -> None:
    """Follow the daemon's stream and the simulator's story until cancelled."""
    import httpx

    from config.loader import load_site
    from daemon.cli.client import BASE, socket_path
    from daemon.cli.demo_views import Headless, Live

    site = load_site(site_file)
    title = site.site.title or site.site.name
    path = socket_path(site_file, site)
    transport = httpx.AsyncHTTPTransport(uds=str(path))
    timeout = httpx.Timeout(10.0, read=None)
    async with httpx.AsyncClient(transport=transport, base_url=BASE, timeout=timeout) as client:
        await _wait_for(client)
        view = Headless(title, page, as_json=options.as_json) if options.headless else Live(title, page)
        view.begin([unit.name for unit in site.units], (await client.get("/v1/alarms?all=true")).json())
        with view:
            async with asyncio.TaskGroup() as group:
                group.create_task(_follow(client, view.unit, view.alarm))
                group.create_task(_story(simulator, view.upset))
                group.create_task(_list_alarms(client, view.alarms))


async def _wait_for(client: Any) -> None:
    """Wait until the API answers: the socket appears once the daemon is up."""
    import httpx

    async with asyncio.timeout(START_LIMIT):
        while True:
            with contextlib.suppress(httpx.TransportError):
                if (await client.get("/v1/health")).is_success:
                    return
            await asyncio.sleep(0.1)  # there is no event for a socket that does not exist yet


async def _follow(
    client: Any, on_unit: Callable[[dict[str, Any]], None], on_alarm: Callable[[dict[str, Any]], None]
) -> None:
    async for name, body in _events(client):
        if name == "unit":
            on_unit(body)
        elif name == "alarm":
            on_alarm(body)


async def _events(client: Any) -> AsyncIterator[tuple[str, dict[str, Any]]]:
    name = ""
    async with client.stream("GET", "/v1/stream") as response:
        async for line in response.aiter_lines():
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                yield name, json.loads(line.removeprefix("data: "))


async def _story(simulator: Any, on_upset: Callable[[dict[str, Any]], None]) -> None:
    while True:
        on_upset(await simulator.line())


async def _list_alarms(client: Any, on_alarms: Callable[[list[dict[str, Any]]], None]) -> None:
    """Ask for the alarm list once a second: the stream tells steps, the list tells what stands."""
    while True:
        on_alarms((await client.get("/v1/alarms")).json())
        await asyncio.sleep(1.0)  # the period of the view, not a wait for something
