"""What the whole calculation of one unit costs, alone and in arrays, with its uncertainty.

Budgets on an undisturbed core: 0.5 ms for one set of readings, 200 000 rows a second, a year of one-minute
rows in 3 s. A busy machine slows everything alike, so what is asserted are ratios to a fixed piece of work of
the same kind that runs in turn with it.
"""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Callable

import numpy as np
import pytest

from calc.unit import Design, Readings, evaluate

pytestmark = pytest.mark.bench

YEAR = 365 * 24 * 60
DESIGN = Design(
    specific_gravity=0.65,
    theoretical_stages=2.0,
    pump_displacement=1.8e-4,
    barometric_pressure=95e3,
    limit_water_content=1.12e-4,
)
ONE = Readings(
    gas_temperature=308.0, gas_pressure=5.0e6, gas_rate=9.0, reboiler_temperature=474.0, stroke_rate=2.6
)


def _year(rows: int) -> Readings:
    noise = np.random.default_rng(20260101)
    columns = {
        name: getattr(ONE, name) * (1.0 + 1e-2 * noise.standard_normal(rows))
        for name in ("gas_temperature", "gas_pressure", "gas_rate", "reboiler_temperature", "stroke_rate")
    }
    return dataclasses.replace(ONE, **columns)


def _fastest(work: Callable[[], object], reference: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Least time of each, run in turn so that both meet the same machine."""
    own, other = math.inf, math.inf
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        between = time.perf_counter()
        reference()
        own = min(own, between - start)
        other = min(other, time.perf_counter() - between)
    return own, other


def _transcendental_floats() -> float:
    """2000 exponentials of plain floats: what a scalar calculation is made of."""
    total = 0.0
    for step in range(2000):
        total += math.exp(-0.001 * step)
    return total


def test_one_set_of_readings() -> None:
    """Measured here: 0.25 ms undisturbed, 1.6 times the reference."""
    own, other = _fastest(lambda: evaluate(ONE, DESIGN), _transcendental_floats, 400)
    print(f"\none evaluation with uncertainty: {own * 1e3:.3f} ms; {own / other:.2f} x reference")

    assert own / other <= 3.0


def test_a_year_of_minutes() -> None:
    """A row costs about as much as 350 exponentials of an array's element."""
    rows = 40 * 4096
    readings, block = _year(rows), np.linspace(-1.0, 1.0, 4096)

    def reference() -> None:
        for _ in range(40 * 100):
            np.exp(block)

    own, other = _fastest(lambda: evaluate(readings, DESIGN), reference, 5)
    per_second = rows / own
    print(
        f"\narrays: {per_second:,.0f} rows/s, a year of minutes {YEAR / per_second:.2f} s; "
        f"{own / other * 100:.0f} exponentials a row"
    )

    assert own / other <= 12.0
