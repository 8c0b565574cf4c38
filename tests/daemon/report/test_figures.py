"""A report's figures from scans whose answers can be worked out by hand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from calc.drive_gas import drive_gas_ratio
from daemon.journal.queries import Column, Row, Sample
from daemon.model import OperatingState, Quality, Status
from daemon.report.economy import economy
from daemon.report.figures import POINTS, Figures, gather, wanted
from tests.support.demo_site import demo_site

HOUR = 3600.0
SIGNALS = ("reboiler_temperature", "contactor_temperature", "contactor_pressure", "flash_pressure")
RESULTS = (
    "dew_point_margin", "circulation_rate", "required_circulation_rate", "stroke_rate",
    "accepted_stall_rate", "compressibility",
)  # fmt: skip
COLUMNS = [Column("signal", name) for name in SIGNALS] + [Column("result", name) for name in RESULTS]
STEADY: dict[str, float | None] = {
    "reboiler_temperature": 475.0,
    "contactor_temperature": 305.0,
    "contactor_pressure": 5.6e6,
    "flash_pressure": 4.5e5,
    "dew_point_margin": 4.0,
    "circulation_rate": 1.0e-4,
    "required_circulation_rate": 0.6e-4,
    "stroke_rate": 0.35,
    "accepted_stall_rate": 0.2,
    "compressibility": 0.88,
}


def row(
    number: int, time: float, state: OperatingState = OperatingState.DRYING, **changes: float | None
) -> Row:
    values = {**STEADY, **changes}
    samples = []
    for column in COLUMNS:
        value = values[column.name]
        status = Status.GOOD if value is not None else Status.BAD_TIMEOUT
        samples.append(Sample(value, None, status, "", time))
    return Row(number, time, state, tuple(samples))


def four_hours() -> Iterator[Row]:
    """Every 10 s: an hour steady, an hour too wet, half an hour hot, an hour's gap, half an hour stalled."""
    for number in range(4 * 360):
        at = number * 10.0
        if at < HOUR:
            yield row(number, at)
        elif at < 2 * HOUR:
            yield row(number, at, dew_point_margin=-1.0, required_circulation_rate=2e-4)
        elif at < 2.5 * HOUR:
            yield row(number, at, reboiler_temperature=481.0, dew_point_margin=None)
        elif at >= 3.5 * HOUR:
            yield row(number, at, stroke_rate=0.1, circulation_rate=0.3e-4)


@pytest.fixture(scope="module")
def figures() -> Figures:
    return gather(four_hours(), COLUMNS, 0.0, 4 * HOUR, 10.0)


def test_time_is_covered_up_to_gaps(figures: Figures) -> None:
    # Before the gap the last scan stands for three periods.
    assert figures.covered == pytest.approx(3 * HOUR + 20.0)
    assert figures.states[OperatingState.DRYING] == pytest.approx(figures.covered)
    [gap] = figures.gaps
    assert (gap.begin, gap.end) == (2.5 * HOUR - 10.0, 3.5 * HOUR)


def test_hours_over_the_limit_and_below_the_stall_rate(figures: Figures) -> None:
    assert figures.over_limit == pytest.approx(HOUR)
    assert figures.margin_unknown == pytest.approx(HOUR / 2 + 20.0)
    assert figures.below_stall == pytest.approx(HOUR / 2)


def test_means_integrals_and_extremes(figures: Figures) -> None:
    circulation = figures.result("circulation_rate")
    assert circulation is not None
    volume = 1e-4 * (2.5 * HOUR + 20.0) + 0.3e-4 * HOUR / 2
    assert circulation.integral == pytest.approx(volume)
    assert circulation.average == pytest.approx(volume / (3 * HOUR + 20.0))
    assert (circulation.lowest, circulation.highest) == (0.3e-4, 1e-4)
    # Nothing is pumped beyond need while the unit is too wet.
    assert figures.excess == pytest.approx(0.4e-4 * (1.5 * HOUR + 20.0))


def test_quality_is_counted_in_time(figures: Figures) -> None:
    margin = figures.result("dew_point_margin")
    assert margin is not None
    assert margin.seconds[Quality.BAD] == pytest.approx(HOUR / 2 + 20.0)
    assert margin.seconds[Quality.GOOD] == pytest.approx(2.5 * HOUR)


def test_heat_is_kept_by_temperature(figures: Figures) -> None:
    hot = HOUR / 2 + 20.0
    assert figures.exposure.time == pytest.approx(3 * HOUR + 20.0)
    assert figures.exposure.time_above_recommended == pytest.approx(hot)
    assert figures.exposure.time_above_degradation == pytest.approx(hot)
    assert figures.reboiler_seconds == pytest.approx({4750: 2.5 * HOUR, 4810: hot})


def test_trends_have_holes_where_nothing_is_known(figures: Figures) -> None:
    rate = figures.result("stroke_rate")
    assert rate is not None
    assert rate.mean.shape == (POINTS,)
    in_gap = (figures.times > 2.6 * HOUR) & (figures.times < 3.4 * HOUR)
    assert np.isnan(rate.mean[in_gap]).all()
    assert rate.mean[0] == pytest.approx(0.35)
    assert rate.mean[-1] == pytest.approx(0.1)


def test_drive_gas_is_the_ratio_times_the_glycol(figures: Figures) -> None:
    site = demo_site()
    found = economy(site, site.units[0], figures)
    ratio = float(drive_gas_ratio(305.0, 5.6e6, 0.88, return_pressure=4.5e5))
    circulation = figures.result("circulation_rate")
    assert circulation is not None
    assert found.drive_gas == pytest.approx(ratio * circulation.integral)
    # 90 mol% methane at 0.6785 kg/m3 (15 degC, 101.325 kPa; ideal gas from the molar mass of CAS 74-82-8)
    assert found.methane == pytest.approx(ratio * circulation.integral * 0.9 * 0.6785, rel=1e-3)
    assert found.excess_drive_gas == pytest.approx(ratio * figures.excess)
    assert found.excess_fuel is not None
    assert found.excess_fuel > 0.0


def test_a_pump_without_drive_gas_has_none(figures: Figures) -> None:
    site = demo_site()
    unit = site.units[0]
    pumps = tuple(pump.model_copy(update={"drive": "electric"}) for pump in unit.pumps)
    found = economy(site, unit.model_copy(update={"pumps": pumps}), figures)
    assert (found.drive_gas, found.methane, found.excess_drive_gas) == (None, None, None)
    assert found.excess == figures.excess


def test_a_late_value_and_a_clock_that_went_back_add_no_time() -> None:
    late = Row(1, 5.0, OperatingState.UNKNOWN, (Sample(300.0, None, Status.GOOD, "", 5.0), *[None] * 9))
    rows = [row(0, 0.0), late, row(2, 10.0), row(3, 10.0), row(4, 20.0)]
    found = gather(rows, COLUMNS, 0.0, 30.0, 10.0)
    assert found.scans == 4
    assert found.covered == pytest.approx(30.0)


def test_signals_and_known_results_are_wanted() -> None:
    columns = [
        Column("signal", "own"),
        Column("result", "stroke_rate"),
        Column("result", "hydrate_temperature"),
    ]
    assert wanted(columns) == columns[:2]
