"""Glycol, equilibrium, reboiler, contactor: inverses, monotonicity, limits, bad input, arrays."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import absorber, activity, equilibrium, glycol, hydraulics, kremser, reboiler, regeneration
from calc.errors import CalcError, NotConvergedError, OutOfRangeError
from tests.support.narrow import array

PURITY = st.floats(0.90, 0.9995)
GAS = st.floats(280.0, 345.0)
BATH = st.floats(440.0, 489.0)
BAR = st.floats(70e3, 140e3)


@given(fraction=st.floats(0.0, 1.0))
def test_mole_and_mass_fraction_are_inverse(fraction: float) -> None:
    assert glycol.teg_mass_fraction(glycol.water_mole_fraction(fraction)) == pytest.approx(
        fraction, abs=1e-12
    )


@given(x=st.floats(0.0, 1.0))
def test_mole_fraction_and_activity_are_inverse(x: float) -> None:
    own = x * math.exp(activity.activity_logarithms(x)[0])

    assert activity.mole_fraction_at_activity(own) == pytest.approx(x, abs=1e-12)


def test_activity_at_both_ends() -> None:
    assert equilibrium.water_activity(0.0) == pytest.approx(1.0, abs=1e-14)
    assert equilibrium.water_activity(1.0) == 0.0
    assert activity.activity_logarithms(0.0)[1] == pytest.approx(0.0, abs=1e-12)


@given(first=st.floats(0.0, 1.0), second=st.floats(0.0, 1.0))
def test_purer_glycol_holds_less_water_activity(first: float, second: float) -> None:
    less, more = sorted((first, second))

    assert equilibrium.water_activity(more) <= equilibrium.water_activity(less) + 1e-15


@given(kelvin=GAS, fraction=PURITY, step=st.floats(0.1, 10.0))
def test_dew_point_over_glycol_rises_with_temperature_and_falls_with_purity(
    kelvin: float, fraction: float, step: float
) -> None:
    dew_point = equilibrium.dew_point_over_glycol(kelvin, fraction)

    assert dew_point < kelvin
    assert equilibrium.dew_point_over_glycol(kelvin + step, fraction) > dew_point
    assert equilibrium.dew_point_over_glycol(kelvin, fraction - step * 1e-3) > dew_point


@given(kelvin=GAS, fraction=PURITY)
def test_purity_for_a_dew_point_is_the_inverse(kelvin: float, fraction: float) -> None:
    dew_point = equilibrium.dew_point_over_glycol(kelvin, fraction)

    assert equilibrium.teg_mass_fraction_for_dew_point(kelvin, dew_point) == pytest.approx(
        fraction, abs=1e-10
    )


@given(kelvin=BATH, pascal=BAR)
def test_lean_glycol_boils_at_reboiler_pressure(kelvin: float, pascal: float) -> None:
    fraction = regeneration.lean_mass_fraction(kelvin, pascal)

    assert equilibrium.bubble_pressure(kelvin, fraction) == pytest.approx(pascal, rel=1e-9)


@given(
    kelvin=BATH,
    pascal=BAR,
    gas=st.floats(0.0, 60.0),
    stages=st.sampled_from([0.0, 1.0, 2.5]),
    step=st.floats(0.5, 5.0),
)
def test_what_purifies_glycol(kelvin: float, pascal: float, gas: float, stages: float, step: float) -> None:
    def purity(t: float, p: float, g: float) -> float:
        return float(regeneration.lean_mass_fraction(t, p, g, stripping_stages=stages))

    here = purity(kelvin, pascal, gas)

    assert purity(kelvin + step, pascal, gas) > here
    assert purity(kelvin, pascal - 1e3 * step, gas) > here
    assert purity(kelvin, pascal, gas + step) > here


@given(kelvin=BATH, pascal=BAR, gas=st.floats(0.0, 40.0), stages=st.sampled_from([0.0, 2.0]))
def test_reboiler_temperature_is_the_inverse(kelvin: float, pascal: float, gas: float, stages: float) -> None:
    fraction = regeneration.lean_mass_fraction(kelvin, pascal, gas, stripping_stages=stages)
    again = regeneration.reboiler_temperature_for(fraction, pascal, gas, stripping_stages=stages)

    assert again == pytest.approx(kelvin, abs=1e-5)


@given(kelvin=BATH, pascal=BAR, gas=st.floats(0.1, 40.0), stages=st.sampled_from([0.0, 1.0, 2.5]))
def test_slopes_of_the_lean_glycol(kelvin: float, pascal: float, gas: float, stages: float) -> None:
    def log_water(t: float, p: float, g: float) -> float:
        return math.log(regeneration.lean_water(t, p, g, 40.0, stages).water_mole_fraction)

    lean = regeneration.lean_water(kelvin, pascal, gas, 40.0, stages)
    h = 1e-4
    by_temperature = (log_water(kelvin + h, pascal, gas) - log_water(kelvin - h, pascal, gas)) / (2 * h)
    by_pressure = (log_water(kelvin, pascal * (1 + h), gas) - log_water(kelvin, pascal * (1 - h), gas)) / (
        2 * h
    )
    by_gas = (log_water(kelvin, pascal, gas * (1 + h)) - log_water(kelvin, pascal, gas * (1 - h))) / (2 * h)

    assert lean.log_by_temperature == pytest.approx(by_temperature, rel=1e-5)
    assert lean.log_by_log_pressure == pytest.approx(by_pressure, rel=1e-5)
    assert lean.log_by_log_stripping == pytest.approx(by_gas, rel=1e-4, abs=1e-7)


@given(log_factor=st.floats(-12.0, 12.0), stages=st.floats(0.2, 8.0))
def test_removal_ratio_is_solved_for_factor_and_for_stages(log_factor: float, stages: float) -> None:
    log_ratio, _, _ = kremser.log_removal_ratio(log_factor, stages)
    ratio = math.exp(log_ratio)

    assert kremser.log_absorption_factor_for(log_ratio, stages) == pytest.approx(log_factor, abs=1e-5)
    if 1e-6 < ratio < 1e6 and log_factor > -2.0:  # with little glycol the stages no longer matter
        inlet, driest = 1.0 + ratio, 0.0
        found = kremser.inferred_stages(math.exp(log_factor), inlet, 1.0, driest)
        assert found == pytest.approx(stages, rel=1e-3)


@given(first=st.floats(0.01, 50.0), second=st.floats(0.01, 50.0), stages=st.floats(0.2, 8.0))
def test_more_glycol_and_more_stages_remove_more(first: float, second: float, stages: float) -> None:
    less, more = sorted((first, second))
    efficiency = kremser.kremser_efficiency(less, stages)

    assert 0.0 < efficiency < 1.0
    assert kremser.kremser_efficiency(more, stages) >= efficiency - 1e-9
    assert kremser.kremser_efficiency(less, stages + 0.5) > efficiency - 1e-9


def test_kremser_at_one_is_the_limit_from_both_sides() -> None:
    around = kremser.kremser_efficiency(np.array([0.999, 0.9999999, 1.0, 1.0000001, 1.001]), 2.0)

    assert np.all(np.diff(around) >= 0.0)
    assert array(around)[2] == pytest.approx(2.0 / 3.0, abs=1e-6)
    assert kremser.kremser_efficiency(0.0, 2.0) == pytest.approx(0.0, abs=1e-12)


@given(rate=st.floats(1e-5, 1e-2), gas=st.floats(0.5, 30.0), fraction=st.floats(0.97, 0.998))
def test_outlet_lies_between_equilibrium_and_inlet(rate: float, gas: float, fraction: float) -> None:
    outlet = absorber.outlet_water_content(305.0, 6e6, gas, rate, fraction, 2.0, 8e-4)
    driest = absorber.outlet_water_content(305.0, 6e6, gas, 10.0, fraction, 20.0, 8e-4)

    assert driest * (1 - 1e-9) <= outlet <= 8e-4


@given(limit=st.floats(8e-5, 7.5e-4), fraction=st.floats(0.985, 0.998), stages=st.floats(1.0, 3.0))
def test_needed_glycol_is_the_inverse_of_the_outlet(limit: float, fraction: float, stages: float) -> None:
    needed = absorber.required_glycol_rate(305.0, 6e6, 10.0, fraction, stages, limit)
    outlet = absorber.outlet_water_content(305.0, 6e6, 10.0, needed, fraction, stages)

    assert outlet == pytest.approx(limit, rel=1e-8)


def test_needed_glycol_that_does_not_exist() -> None:
    with pytest.raises(NotConvergedError, match="in equilibrium with this glycol"):
        absorber.required_glycol_rate(305.0, 6e6, 10.0, 0.98, 2.0, 1e-6)
    rates = absorber.required_glycol_rate(305.0, 6e6, 10.0, 0.98, 2.0, np.array([1e-6, 3e-4, 1.0e-2]))

    assert np.isnan(rates).tolist() == [True, False, False]
    assert array(rates)[2] == 0.0
    assert absorber.required_glycol_rate(305.0, 6e6, 10.0, 0.99, 2.0, 4e-4, 3e-4) == 0.0
    with pytest.raises(NotConvergedError, match="is not between"):
        kremser.inferred_stages(3.0, 8.0, 0.5, 1.0)


CASES: list[tuple[Callable[..., Any], tuple[float, ...], int, float]] = [
    (glycol.water_mole_fraction, (0.99,), 0, 1.2),
    (glycol.teg_mass_fraction, (0.05,), 0, -0.1),
    (glycol.density, (310.0, 0.99), 0, 200.0),
    (glycol.density, (310.0, 0.99), 1, 0.5),
    (glycol.viscosity, (310.0, 0.99), 0, 450.0),
    (glycol.heat_capacity, (310.0, 0.99), 1, 1.01),
    (glycol.teg_vapor_pressure, (470.0,), 0, 900.0),
    (equilibrium.water_activity_coefficient, (0.99,), 0, -1e-9),
    (equilibrium.bubble_pressure, (470.0, 0.98), 0, 100.0),
    (equilibrium.dew_point_over_glycol, (310.0, 0.99), 1, 1.0),
    (equilibrium.teg_mass_fraction_for_dew_point, (310.0, 263.0), 1, 320.0),
    (regeneration.lean_mass_fraction, (477.0, 1e5), 0, 300.0),
    (regeneration.lean_mass_fraction, (477.0, 1e5), 1, -1e5),
    (regeneration.lean_mass_fraction, (374.0, 1e5), 1, 2e5),
    (regeneration.reboiler_temperature_for, (0.985, 1e5), 0, 1.5),
    (regeneration.reboiler_temperature_for, (0.985, 1e5), 0, 0.9999),
    (kremser.kremser_efficiency, (3.0, 2.0), 0, -1.0),
    (kremser.kremser_efficiency, (3.0, 2.0), 1, 30.0),
    (absorber.circulation_ratio, (1e-4, 4e-3), 0, -1e-4),
    (hydraulics.bubble_cap_factor, (0.6,), 0, 2.0),
    (hydraulics.maximum_gas_mass_rate, (1.0, 40.0, 1100.0, 0.05), 1, 0.0),
    (hydraulics.tray_seal_rate, (4e-3,), 0, -1.0),
    (reboiler.breakdown_rate, (477.0,), 0, 100.0),
    (reboiler.firetube_flux, (3e4, 1.5), 1, 0.0),
    (reboiler.fuel_rate, (3e4, 3.4e7, 0.7), 2, 1.4),
]


@pytest.mark.parametrize(("function", "arguments", "position", "wrong"), CASES)
def test_bad_input_is_an_error_alone_and_a_gap_in_an_array(
    function: Callable[..., Any], arguments: tuple[float, ...], position: int, wrong: float
) -> None:
    good = function(*arguments)
    bad = [*arguments]
    bad[position] = wrong
    with pytest.raises(CalcError):
        function(*bad)
    bad[position] = math.nan
    assert math.isnan(function(*bad))
    column: list[Any] = [*arguments]
    column[position] = np.array([arguments[position], wrong, math.nan])
    together = function(*column)

    assert isinstance(good, float)
    assert together[0] == pytest.approx(good, rel=1e-12)
    assert np.isnan(together[1:]).all()


@given(kelvin=st.floats(440.0, 500.0), duration=st.floats(1.0, 1e6))
def test_thermal_exposure_only_grows(kelvin: float, duration: float) -> None:
    before = reboiler.ThermalExposure(1e6, 10.0, 1.0, 5e5)
    after = reboiler.expose(before, kelvin, duration)

    assert all(later >= earlier for earlier, later in zip(before, after, strict=True))
    assert after.time == before.time + duration
    assert (after.time_above_degradation > 1.0) == (
        kelvin > reboiler.DEGRADATION_TEMPERATURE and duration > 0.0
    )


def test_thermal_exposure_by_hand() -> None:
    """Half an hour ten kelvin too hot counts as an hour; a blind thermometer counts by the clock only."""
    hot = reboiler.expose(reboiler.ThermalExposure(), reboiler.RECOMMENDED_MAXIMUM_TEMPERATURE + 10, 1800.0)
    blind = reboiler.expose(hot, math.nan, 600.0)

    assert hot.equivalent_time == pytest.approx(3600.0, rel=0.06)
    assert blind == hot._replace(time=2400.0)
    assert blind.used_interval == pytest.approx(hot.equivalent_time / (2 * 365.25 * 86400))
    with pytest.raises(ValueError, match="time only adds up"):
        reboiler.expose(hot, 470.0, -1.0)
    with pytest.raises(OutOfRangeError):
        reboiler.expose(hot, 4700.0, 1.0)
