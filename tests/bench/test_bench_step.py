"""What one step of one unit costs: checks, strokes, calculation, operating state, alarms.

Budget: 0.5 ms median with the full alarm set, on the machine of reference. A machine that is slower or busy
slows both figures of the ratio, so the ratio to a fixed piece of Python is what is asserted.
"""

from __future__ import annotations

import random
import statistics
import time
from importlib import resources

import pytest

from config.alarm_set import resolve_alarms
from config.loader import parse_site
from daemon.model import Link, LinkState, Quality, Reading, Scan, Status
from daemon.monitor.unit_monitor import UnitMonitor

pytestmark = pytest.mark.bench

BUDGET = 0.5e-3
REFERENCE = 0.6e-3
"""What ``reference_work`` takes on the machine on which the budget was set [s]."""
START = 1_760_000_000.0

DRYING = {
    "reboiler_temperature": 471.0,
    "reboiler_shutdown_temperature": 471.5,
    "contactor_temperature": 303.0,
    "contactor_pressure": 5.6e6,
    "gas_rate": 1.6,
    "outlet_water_content": 6.0e-5,
    "still_top_temperature": 372.0,
    "lean_glycol_temperature": 308.0,
    "reboiler_level": 0.7,
    "surge_level": 0.6,
    "filter_differential_pressure": 2.0e4,
    "contactor_differential_pressure": 2.0e3,
    "flash_pressure": 4.5e5,
    "burner_on": 1.0,
    "bypass_open": 0.0,
}
COUNTS = {"stroke_count", "controller_heartbeat"}


def make_scans(signals: list[str], controller: str, unit: str, count: int) -> list[Scan]:
    """A unit that dries gas, every reading new and noisy at every scan."""
    noise = random.Random(20260101)
    links = {controller: Link(LinkState.UP, 0.0, 0.0)}
    scans = []
    for sequence in range(count):
        at = float(sequence)
        readings = {}
        for name in signals:
            value = DRYING.get(name, 0.0)
            if name in COUNTS:
                value = float(sequence // 3 % 65536)
            elif value not in {0.0, 1.0}:
                value *= 1.0 + noise.gauss(0.0, 1e-4)
            readings[name] = Reading(value, Status.GOOD, START + at, at)
        scans.append(Scan(unit, sequence, START + at, at + 0.01, readings, links))
    return scans


def reference_work() -> float:
    """A fixed piece of plain Python: floats, a dictionary, calls."""
    table = {f"name_{number}": float(number) for number in range(50)}
    total = 0.0
    for round_ in range(60):
        for name, value in table.items():
            total += value * round_ if name else -value
            total = min(total, 1e9)
    return total


def test_a_step_costs_half_a_millisecond() -> None:
    text = resources.files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    site = parse_site(text, "demo.toml")
    unit = site.units[0]
    alarms = resolve_alarms(site, unit).alarms
    monitor = UnitMonitor(site, unit, alarms)
    steps, references = [], []
    for scan in make_scans(list(unit.signals), "north-plc", unit.name, 3000):
        before = time.thread_time()
        outcome = monitor.step(scan)
        between = time.thread_time()
        reference_work()
        references.append(time.thread_time() - between)
        steps.append(between - before)
    assert outcome.results["dew_point_margin"].quality is Quality.GOOD
    step, reference = statistics.median(steps[500:]), statistics.median(references[500:])
    worst = statistics.quantiles(steps[500:], n=100)[-1]
    print(
        f"\none step, {len(unit.signals)} signals, {len(alarms)} alarms, {len(outcome.results)} results: "
        f"median {step * 1e3:.3f} ms, p99 {worst * 1e3:.3f} ms, {step / reference:.2f} x reference "
        f"({reference * 1e3:.3f} ms); budget {BUDGET / REFERENCE:.2f} x"
    )
    assert step / reference <= BUDGET / REFERENCE
