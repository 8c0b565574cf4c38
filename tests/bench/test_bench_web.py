"""What fifty open pages cost the daemon: CPU of one core, and what an event takes to each of them."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import httpx
import pytest
from pyModbusTCP.server import ModbusServer

from tests.integration.test_daemon import SITE, Plant
from tests.support.brokers import free_port
from tests.support.daemon_process import running_daemon
from tests.support.web_client import WEB, follow, make_users

pytestmark = [pytest.mark.bench, pytest.mark.timeout(240)]

PAGES = 50
SECONDS = 20.0


def cpu(process: int) -> float:
    """CPU seconds that a process has used."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


async def test_fifty_pages_cost_at_most_a_fifth_of_a_core(tmp_path: Path) -> None:
    """Each page follows a unit scanned once a second; the same daemon without pages compares."""
    server = ModbusServer("127.0.0.1", free_port(), no_block=True)
    server.start()
    plant = Plant(server.data_bank, server.port)
    plant.put()
    tokens = make_users(tmp_path, time.time())
    port = free_port()
    site = SITE.format(port=plant.port).replace('"200 ms"', '"1 s"') + WEB.format(port=port)
    try:
        async with running_daemon(tmp_path, site) as daemon:
            await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 3)
            before = cpu(daemon.process.pid)
            await asyncio.sleep(SECONDS)  # a measurement takes its time
            alone = (cpu(daemon.process.pid) - before) / SECONDS

            heard = [0] * PAGES
            headers = {"authorization": f"Bearer {tokens['viewer']}"}
            limits = httpx.Limits(max_connections=PAGES)
            async with httpx.AsyncClient(
                base_url=f"http://127.0.0.1:{port}", headers=headers, limits=limits
            ) as client:

                async def page(number: int) -> None:
                    async for name, _ in follow(client):
                        heard[number] += name == "unit"

                pages = [asyncio.create_task(page(number)) for number in range(PAGES)]
                await daemon.until(lambda: daemon.get("/v1/health"), lambda _: all(heard))
                before, start = cpu(daemon.process.pid), sum(heard)
                await asyncio.sleep(SECONDS)
                watched = (cpu(daemon.process.pid) - before) / SECONDS
                events = (sum(heard) - start) / PAGES
                for task in pages:
                    task.cancel()
                await asyncio.gather(*pages, return_exceptions=True)
            extra = watched - alone
            each = 1e6 * extra * SECONDS / (events * PAGES)
            print(f"\n{PAGES} pages: {100 * extra:.1f} % of a core beside {100 * alone:.1f} % without them;")
            print(f"{events:.0f} scans reached each in {SECONDS:g} s, {each:.0f} us of CPU a scan and page")
            assert events >= 0.8 * SECONDS
            assert extra <= 0.20
    finally:
        server.stop()
