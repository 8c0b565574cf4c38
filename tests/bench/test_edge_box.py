"""A box of 256 MB and half a core is enough: memory, time to the first scan, and whether it keeps up.

The limits are the kernel's own (a control group) where one can be made, else nothing is limited and the
process is only measured; the print says which.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path

import httpx
import pytest

from daemon.journal.reading import EntrySource
from daemon.journal.schema import connect_reader
from daemon.model import EntryKind
from tests.support import daemon_process
from tests.support.brokers import free_port
from tests.support.canned_modbus import canned_server
from tests.support.daemon_process import running_daemon
from tests.support.fleet import fleet_text
from tests.support.small_box import small_box
from tests.support.soak import sample

pytestmark = [pytest.mark.bench, pytest.mark.nightly, pytest.mark.timeout(600)]

MEGABYTE = 1 << 20
BOX_MEMORY, BOX_CORES = 256 * MEGABYTE, 0.5
MEMORY_BUDGET = 150.0
"""Resident memory with one unit and the page on [MB]."""
START_BUDGET = 3.0
"""From the start of the process to its first scan [s]."""
SECONDS = 30.0


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a core starts slowly; how slowly is printed."""
    monkeypatch.setattr(daemon_process, "PATIENCE", 120.0)


async def follow(client: httpx.AsyncClient, heard: list[int]) -> None:
    """Follow live values as the page does."""
    async with client.stream("GET", "/v1/stream", timeout=None) as answer:
        assert answer.is_success
        async for piece in answer.aiter_bytes():
            heard[0] += len(piece)


async def test_one_unit_and_its_page_fit_into_256_mb_and_half_a_core(tmp_path: Path) -> None:
    page = free_port()
    with small_box(BOX_MEMORY, BOX_CORES) as box, canned_server("drying") as port:
        began = time.time()
        async with running_daemon(
            tmp_path, fleet_text(1, port) + f"\n[web]\nport = {page}\n", box.command
        ) as daemon:
            await daemon.until(lambda: daemon.unit("unit-0"), lambda unit: unit["sequence"] > 0)
            starting = await asyncio.to_thread(sample, daemon.process.pid)
            heard = [0]
            following = asyncio.create_task(follow(daemon.client, heard))
            async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{page}", trust_env=False) as browser:
                assert (await browser.get("/login")).is_success
            before = await daemon.unit("unit-0")
            waited = box.throttled()
            await asyncio.sleep(SECONDS)
            after = await daemon.unit("unit-0")
            waited = box.throttled() - waited
            settled = await asyncio.to_thread(sample, daemon.process.pid)
            health = await daemon.get("/v1/health")
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following
            assert await daemon.stop() == 0
        peak, refusals = box.peak_memory(), box.refusals()
    connection = connect_reader(tmp_path / "tegwatch-journal.sqlite3")
    first = EntrySource(connection).entries(0, 1, {EntryKind.SCAN})[0].time - began
    connection.close()

    used = (settled.processor - starting.processor) / (settled.time - starting.time)
    print(
        f"\nin {box.kind}: 256 MB and {BOX_CORES:g} core; "
        f"first scan {first:.2f} s after the start (budget {START_BUDGET:g} s: {first <= START_BUDGET}), "
        f"{starting.processor:.2f} s of processor time until it was seen; "
        f"resident {settled.memory:.1f} MB (budget {MEMORY_BUDGET:g} MB), "
        f"peak of the box {'not known' if peak is None else f'{peak:.1f} MB'}, "
        f"threads {settled.threads}, descriptors {settled.descriptors}; "
        f"then {used:.1%} of a core, throttled {waited:.2f} s in {SECONDS:.0f} s; "
        f"scans {after['sequence'] - before['sequence']} in {SECONDS:.0f} s, "
        f"missed {health['scans_missed']}, 99 % within {health['lateness_p99'] * 1e3:.0f} ms"
    )
    assert settled.memory < MEMORY_BUDGET
    assert refusals == 0
    assert used < BOX_CORES
    assert after["sequence"] - before["sequence"] > 0.8 * SECONDS
    assert health["scan_stretch"] == 1
    assert heard[0] > 0
