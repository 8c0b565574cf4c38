"""Properties of water in gas: inverses, monotonicity, limits, arrays equal scalars."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import saturation, water, water_methods
from calc.constants import WATER_STANDARD_DENSITY
from calc.errors import OutOfRangeError
from calc.unit import Design, Readings, evaluate
from tests.support.narrow import array

KELVIN = st.floats(225.0, 420.0)
PASCAL = st.floats(1e6, 30e6)


@given(kelvin=KELVIN, pascal=PASCAL)
def test_dew_point_undoes_saturated_content(kelvin: float, pascal: float) -> None:
    content = water.saturated_water_content(kelvin, pascal)

    assert water.water_dew_point(content, pascal) == pytest.approx(kelvin, rel=1e-9)


@given(kelvin=KELVIN, pascal=PASCAL, step=st.floats(0.01, 10.0))
def test_hotter_gas_holds_more_and_compressed_gas_less(kelvin: float, pascal: float, step: float) -> None:
    content = water.saturated_water_content(kelvin, pascal)

    assert water.saturated_water_content(kelvin + step, pascal) > content
    assert water.saturated_water_content(kelvin, pascal * (1.0 + step / 10.0)) < content


@given(kelvin=st.floats(225.0, 330.0), pascal=PASCAL, factor=st.floats(1.01, 3.0))
def test_a_dew_point_rises_with_pressure_and_comes_back(kelvin: float, pascal: float, factor: float) -> None:
    compressed = water.dew_point_at_pressure(kelvin, pascal, pascal * factor)

    assert compressed > kelvin
    assert water.dew_point_at_pressure(compressed, pascal * factor, pascal) == pytest.approx(kelvin, rel=1e-9)


@given(kelvin=st.floats(220.0, 273.0), pascal=PASCAL)
def test_the_frost_point_is_between_the_dew_point_and_melting(kelvin: float, pascal: float) -> None:
    frost = water.frost_point(water.saturated_water_content(kelvin, pascal), pascal)

    assert kelvin < frost < 273.16


def test_at_the_triple_point_ice_and_liquid_agree() -> None:
    content = water.saturated_water_content(273.16, 5e6)

    assert water.frost_point(content * (1.0 - 1e-6), 5e6) == pytest.approx(273.16, abs=1e-4)


def test_gas_too_wet_for_frost_has_no_frost_point() -> None:
    with pytest.raises(OutOfRangeError, match="frost point = 2"):
        water.frost_point(water.saturated_water_content(280.0, 5e6), 5e6)


def test_low_pressure_is_the_ideal_gas() -> None:
    """At 0.1 bar and 25 degC the mole fraction is psat/P but for the B term, 0.5 % there."""
    expected = saturation.saturation_pressure_over_liquid(298.15) / 1e4 * WATER_STANDARD_DENSITY

    assert water.saturated_water_content(298.15, 1e4) == pytest.approx(expected, rel=1e-2)


def test_boiling_water_has_no_saturated_content() -> None:
    with pytest.raises(OutOfRangeError, match="water_content"):
        water.saturated_water_content(400.0, 1e5)


@pytest.mark.parametrize(
    ("function", "arguments", "argument"),
    [
        (water.saturated_water_content, (200.0, 5e6), "temperature"),
        (water.saturated_water_content, (300.0, -1.0), "pressure"),
        (water.saturated_water_content, (300.0, 1e9), "pressure"),
        (water.water_dew_point, (0.0, 5e6), "water_content"),
        (water.water_dew_point, (-1e-4, 5e6), "water_content"),
        (water.water_dew_point, (1.0, 5e6), "water_content"),
        (water.water_dew_point, (2e-9, 1e5), "dew point"),
        (saturation.saturation_pressure_over_liquid, (700.0,), "temperature"),
        (saturation.saturation_pressure_over_ice, (280.0,), "temperature"),
        (water_methods.saturated_water_content_whitson_brule, (300.0, 1e5, 0.65), "pressure"),
    ],
)
def test_out_of_range_is_loud_for_scalars_and_nan_in_arrays(
    function: object, arguments: tuple[float, ...], argument: str
) -> None:
    with pytest.raises(OutOfRangeError) as raised:
        function(*arguments)  # type: ignore[operator]

    assert raised.value.argument == argument
    assert np.isnan(function(*(np.array([value]) for value in arguments))).all()  # type: ignore[operator]


@given(st.lists(st.tuples(KELVIN, PASCAL), min_size=1, max_size=20))
def test_arrays_equal_scalars(states: list[tuple[float, float]]) -> None:
    kelvin, pascal = np.array(states).T
    content = water.saturated_water_content(kelvin, pascal)

    np.testing.assert_allclose(
        array(content), [float(water.saturated_water_content(*state)) for state in states], rtol=1e-13
    )
    np.testing.assert_allclose(water.water_dew_point(content, pascal), kelvin, rtol=1e-9)


def test_absent_stays_absent() -> None:
    assert math.isnan(water.saturated_water_content(math.nan, 5e6))
    assert math.isnan(water.water_dew_point(1e-4, math.nan))
    assert math.isnan(water.frost_point(math.nan, 5e6))
    np.testing.assert_array_equal(
        np.isnan(water.saturated_water_content(np.array([300.0, math.nan]), 5e6)), [False, True]
    )


def test_the_spread_of_methods_never_makes_the_content_surer_than_quoted() -> None:
    spread = water_methods.relative_uncertainty(np.linspace(265.0, 340.0, 50), 7e6, 0.65)

    assert np.all(spread >= water_methods.QUOTED_UNCERTAINTY)
    assert np.all(spread < 0.2)


@pytest.mark.parametrize(
    ("carbon_dioxide", "hydrogen_sulfide", "words"),
    [
        (0.0, 0.0, []),
        (0.04, 0.0, []),
        (0.08, 0.0, ["8.0 mol % CO2", "more water"]),
        (0.01, 0.002, ["0.2 mol % H2S", "poisonous"]),
        (0.10, 0.05, ["CO2 and 5 mol % H2S", "more water", "poisonous"]),
    ],
)
def test_acid_gases_are_named(carbon_dioxide: float, hydrogen_sulfide: float, words: list[str]) -> None:
    caution = water_methods.acid_gas_caution(carbon_dioxide, hydrogen_sulfide)

    assert bool(caution) == bool(words)
    assert all(word in caution for word in words)


def test_sour_gas_widens_what_rests_on_its_water() -> None:
    """7 % at 20 mol % CO2, 12 % from 8 mol % H2S on (GPSA, section 20, from memory)."""
    assert water_methods.acid_gas_uncertainty(0.20, 0.0) == pytest.approx(0.07)
    assert (
        water_methods.acid_gas_uncertainty(0.0, 0.08) == water_methods.acid_gas_uncertainty(0.0, 0.3) == 0.12
    )
    readings = Readings(310.93, 4.137e6, 9.813, 477.59, 2.0)
    sweet = Design(0.65, 2.0, 1.8e-4, 101325.0, limit_water_content=7 * 1.60493e-5)
    sour = dataclasses.replace(sweet, carbon_dioxide=0.10, hydrogen_sulfide=0.02)

    for name in ("saturated_water_content", "dew_point_margin", "hydrate_temperature"):
        plain, widened = (getattr(evaluate(readings, design), name) for design in (sweet, sour))
        assert widened.uncertainty > plain.uncertainty, name
        assert widened.value == pytest.approx(plain.value), name
