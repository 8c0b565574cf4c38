"""Pumps: strokes and circulation, which of them serves, what the drive gas is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import drive_gas, pump, sizing
from calc.errors import CalcError, OutOfRangeError
from calc.pump import Fit, PumpDesign, suitable_pumps

STROKES = st.floats(0.01, 5.0)
DISPLACEMENT = st.floats(1e-6, 1e-3)
EFFICIENCY = st.floats(0.5, 1.0)


@given(strokes=STROKES, displacement=DISPLACEMENT, efficiency=EFFICIENCY)
def test_required_strokes_undo_circulation(strokes: float, displacement: float, efficiency: float) -> None:
    rate = pump.circulation_rate(strokes, displacement, efficiency)

    assert pump.required_stroke_rate(rate, displacement, efficiency) == pytest.approx(strokes, rel=1e-12)


@given(strokes=STROKES, displacement=DISPLACEMENT, more=st.floats(1.01, 2.0))
def test_more_strokes_circulate_more(strokes: float, displacement: float, more: float) -> None:
    slow = pump.circulation_rate(strokes, displacement)

    assert pump.circulation_rate(strokes * more, displacement) > slow


def test_no_strokes_no_circulation_and_an_array_of_a_day() -> None:
    assert pump.circulation_rate(0.0, 1e-5) == 0.0
    np.testing.assert_allclose(
        pump.circulation_rate(np.array([0.0, 0.5, np.nan, -1.0]), 1e-5, 1.0), [0.0, 5e-6, np.nan, np.nan]
    )


@pytest.mark.parametrize(
    "arguments", [(-0.1, 1e-5, 0.9), (0.5, 0.0, 0.9), (0.5, 1e-5, 0.0), (0.5, 1e-5, 1.1)]
)
def test_impossible_pumps_are_refused(arguments: tuple[float, float, float]) -> None:
    with pytest.raises(OutOfRangeError):
        pump.circulation_rate(*arguments)


def _pump(name: str, litres: float, stall: float = 10.0, maximum: float = 40.0) -> PumpDesign:
    return PumpDesign(name, litres * 1e-3, stall / 60.0, maximum / 60.0, 1.0)


def _litres_per_minute(value: float) -> float:
    return value * 1e-3 / 60.0


def test_the_smallest_pump_that_carries_the_season_comes_first() -> None:
    """Loads of 2 to 3 L/min: 0.1 L a stroke serves, 0.25 L must over-circulate, 0.05 L is too small."""
    season = _litres_per_minute(2.0), _litres_per_minute(3.0)

    fits = suitable_pumps([_pump("large", 0.25), _pump("small", 0.05), _pump("medium", 0.1)], *season)

    assert [(each.pump, each.fit) for each in fits] == [
        ("medium", Fit.SERVES),
        ("large", Fit.OVERCIRCULATES),
        ("small", Fit.TOO_SMALL),
    ]
    medium, large, small = fits
    assert (medium.lowest_stroke_rate * 60, medium.highest_stroke_rate * 60) == pytest.approx((20.0, 30.0))
    assert medium.overcirculation == 1.0
    assert medium.reserve == pytest.approx(40.0 / 30.0)
    assert large.overcirculation == pytest.approx(10.0 / 8.0)
    assert small.reserve == pytest.approx(40.0 / 60.0)


@given(
    litres=st.floats(0.02, 0.5),
    lowest=st.floats(0.2, 5.0),
    spread=st.floats(1.0, 3.0),
    stall=st.floats(1.0, 20.0),
)
def test_a_verdict_agrees_with_its_numbers(litres: float, lowest: float, spread: float, stall: float) -> None:
    design = _pump("any", litres, stall)
    low, high = _litres_per_minute(lowest), _litres_per_minute(lowest * spread)

    fit = design.fit(low, high)

    assert (fit.fit is Fit.TOO_SMALL) == (high > design.highest_circulation * (1.0 + 1e-12))
    if fit.fit is not Fit.TOO_SMALL:
        assert (fit.fit is Fit.OVERCIRCULATES) == (low < design.lowest_circulation * (1.0 - 1e-12))


def test_a_pump_whose_stall_is_above_its_maximum_is_refused() -> None:
    with pytest.raises(CalcError, match=r"pump upside: the stall rate 0\.6"):
        _pump("upside", 0.1, stall=40.0, maximum=10.0)


@pytest.mark.parametrize(("lowest", "highest"), [(0.0, 1e-5), (2e-5, 1e-5), (float("nan"), 1e-5)])
def test_an_empty_season_is_refused(lowest: float, highest: float) -> None:
    with pytest.raises(CalcError, match="holds no load"):
        _pump("any", 0.1).fit(lowest, highest)


@given(bar=st.floats(25.0, 110.0), loss=st.floats(1e5, 8e5))
def test_drive_gas_rises_with_friction_and_with_back_pressure(bar: float, loss: float) -> None:
    def ratio(loss: float, back: float) -> float:
        return float(
            drive_gas.drive_gas_ratio(310.0, bar * 1e5, 0.9, return_pressure=back, pressure_loss=loss)
        )

    usual = ratio(loss, 4e5)

    assert usual > 0.0
    assert ratio(loss * 1.1, 4e5) > usual
    assert ratio(loss, 5e5) > usual


def test_an_energy_balance_closes() -> None:
    """Without friction, at full efficiency, against the suction pressure: the rich glycol alone would do."""
    ratio = drive_gas.drive_gas_ratio(
        310.0,
        60e5,
        0.9,
        return_pressure=101325.0,
        pressure_loss=0.0,
        mechanical_efficiency=1.0,
        rich_volume_ratio=1.0,
    )

    assert ratio == pytest.approx(0.0, abs=1e-9)


def test_a_pump_that_cannot_run_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="drive gas volume ratio"):
        drive_gas.drive_gas_ratio(310.0, 5e5, 0.98, return_pressure=4.9e5)


@given(kelvin=st.floats(280.0, 320.0), rate=st.floats(0.1, 50.0))
def test_circulation_need_follows_the_water(kelvin: float, rate: float) -> None:
    need = sizing.circulation_need(kelvin, 6e6, rate, 5e-5)

    assert need.water_removed == pytest.approx(rate * (need.inlet_water_content - 5e-5), rel=1e-12)
    assert sizing.circulation_need(kelvin + 5.0, 6e6, rate, 5e-5).circulation_rate > need.circulation_rate


def test_gas_that_is_dry_enough_needs_no_glycol() -> None:
    assert sizing.circulation_need(260.0, 6e6, 10.0, 1e-3).circulation_rate == 0.0
