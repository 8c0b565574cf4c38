"""How long a reload of 300 units keeps scans waiting.

Budget on two free cores, 300 units of 1 s each behind a controller each: when alarms change, of one unit or
of all, no unit's two scans lie further apart than one and a half periods. What others do to the machine
spoils that figure, so beside it stands what the event loop's own thread computes at one go: what a reload
does there must not be much more than what scanning does.
"""

from __future__ import annotations

import asyncio
import os
import time
from pathlib import Path

import pytest
import uvloop

from config.alarms import AlarmOverride
from config.hashes import values_hash
from config.loader import LoadedSite
from config.site import Site
from daemon.acquisition import UnitScanner
from daemon.app import run_daemon
from daemon.cli.run import collect_less
from daemon.reload import Reloads
from tests.bench.test_bench_fleet import steady
from tests.support.canned_modbus import canned_server
from tests.support.fleet import fleet_site

__all__ = ["steady"]

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

UNITS, SETTLE, AFTER = 300, 6.0, 4.0


class Gaps:
    """The longest time between two scans of any unit, and the most that the event loop computed at one go."""

    def __init__(self) -> None:
        self.last: dict[str, float] = {}
        self.longest = 0.0
        self.busy = 0.0

    def took(self, unit: str, monotonic: float) -> None:
        self.longest = max(self.longest, monotonic - self.last.get(unit, monotonic))
        self.last[unit] = monotonic

    def begin(self) -> None:
        self.longest = self.busy = 0.0

    async def beat(self) -> None:
        while True:
            before = time.thread_time()
            await asyncio.sleep(0)  # one round of everything that is ready
            self.busy = max(self.busy, time.thread_time() - before)
            await asyncio.sleep(0.002)

    def __str__(self) -> str:
        return f"longest gap {self.longest:.2f} s, at one go {1e3 * self.busy:.0f} ms"


async def measure(site: Site, folder: Path, tried: dict[str, Site], monkeypatch: pytest.MonkeyPatch) -> None:
    gaps, stop, ready, reloads = Gaps(), asyncio.Event(), asyncio.Event(), list[Reloads]()
    take, make = UnitScanner._take, Reloads.__init__

    def counted(self: UnitScanner) -> None:
        take(self)
        gaps.took(self.unit.name, self.last_taken)

    def noted(self: Reloads) -> None:
        make(self)
        reloads.append(self)

    def started() -> None:
        collect_less()
        ready.set()

    monkeypatch.setattr(UnitScanner, "_take", counted)
    monkeypatch.setattr(Reloads, "__init__", noted)
    loaded = [site]
    running = asyncio.create_task(
        run_daemon(site, folder, stop=stop, ready=started, load=lambda: LoadedSite(loaded[0]))
    )
    beating = asyncio.create_task(gaps.beat())
    await ready.wait()
    await asyncio.sleep(SETTLE)
    gaps.begin()
    await asyncio.sleep(AFTER)
    print(f"  {'no reload':22s} {gaps}")
    for name, changed in tried.items():
        loaded[0] = changed
        gaps.begin()
        begun = asyncio.get_running_loop().time()
        report = await reloads[0].ask("bench", name)
        lasted = asyncio.get_running_loop().time() - begun
        await asyncio.sleep(AFTER)
        assert report.changed
        assert len(gaps.last) == UNITS
        print(f"  {name:22s} {gaps}, in force after {lasted:.1f} s", flush=True)
    stop.set()
    await running
    beating.cancel()


@pytest.mark.usefixtures("steady")
def test_a_reload_of_300_units(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    print(f"\nload of the machine before {os.getloadavg()[0]:.1f}")
    with canned_server("drying") as port:
        site = fleet_site(UNITS, port)
        last = site.units[-1].model_copy(update={"alarms": {"surge_level_low": AlarmOverride(on_delay=9.0)}})
        one = site.model_copy(update={"units": (*site.units[:-1], last)})
        every = one.model_copy(update={"alarms": {"surge_level_low": AlarmOverride(on_delay=20.0)}})
        info = every.site.model_copy(update={"barometric_pressure": 85_000.0})
        field = every.model_copy(update={"site": info})
        assert values_hash(field) != values_hash(every) == values_hash(site)
        tried = {"alarms of one unit": one, "alarms of every unit": every, "how all is read": field}
        with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
            runner.run(measure(site, tmp_path, tried, monkeypatch))
