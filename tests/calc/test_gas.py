"""Properties of gas: limits, inverses, arrays equal scalars; hydrate margin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc import conversions, gas, hydrate, pseudocritical
from calc.constants import PSI
from calc.errors import OutOfRangeError
from tests.support.narrow import array

KELVIN = st.floats(270.0, 400.0)
PASCAL = st.floats(1e5, 12e6)
GRAVITY = st.floats(0.56, 0.8)


@given(kelvin=KELVIN, gravity=GRAVITY)
def test_thin_gas_is_ideal(kelvin: float, gravity: float) -> None:
    assert gas.compressibility(kelvin, 1e3, gravity) == pytest.approx(1.0, abs=1e-3)


@given(kelvin=KELVIN, pascal=PASCAL, gravity=GRAVITY)
def test_density_rises_with_pressure_and_falls_with_temperature(
    kelvin: float, pascal: float, gravity: float
) -> None:
    density = gas.density(kelvin, pascal, gravity)

    assert gas.density(kelvin, pascal * 1.01, gravity) > density
    assert gas.density(kelvin + 1.0, pascal, gravity) < density


@given(kelvin=KELVIN, pascal=PASCAL, rate=st.floats(0.0, 100.0))
def test_standard_and_actual_rates_undo_each_other(kelvin: float, pascal: float, rate: float) -> None:
    z = gas.compressibility(kelvin, pascal, 0.65)
    actual = gas.actual_rate(rate, kelvin, pascal, z)

    assert gas.standard_rate(actual, kelvin, pascal, z) == pytest.approx(rate, rel=1e-12)
    assert gas.mass_rate(rate, 0.65) == pytest.approx(actual * gas.density(kelvin, pascal, 0.65), rel=1e-9)


@given(st.lists(st.tuples(KELVIN, PASCAL, GRAVITY), min_size=1, max_size=20))
def test_arrays_equal_scalars(states: list[tuple[float, float, float]]) -> None:
    kelvin, pascal, gravity = np.array(states).T

    np.testing.assert_allclose(
        array(gas.compressibility(kelvin, pascal, gravity)),
        [float(gas.compressibility(*state)) for state in states],
        rtol=1e-10,
    )


@pytest.mark.parametrize(
    "method", [pseudocritical.pseudo_critical_sutton, pseudocritical.pseudo_critical_piper]
)
def test_acid_gas_and_nitrogen_move_the_pseudo_criticals_as_they_must(method: object) -> None:
    temperature, pressure = method(0.75)  # type: ignore[operator]
    with_nitrogen = method(0.75, nitrogen=0.1)  # type: ignore[operator]
    with_sulfide = method(0.75, hydrogen_sulfide=0.2)  # type: ignore[operator]

    assert with_nitrogen[0] < temperature  # nitrogen is the more volatile
    assert with_sulfide[0] > temperature * 0.95  # hydrogen sulfide the less, but for the adjustment
    assert with_sulfide[1] > pressure


@pytest.mark.parametrize(
    ("arguments", "argument"),
    [
        ((150.0, 5e6, 0.65), "temperature"),
        ((300.0, -5e6, 0.65), "pressure"),
        ((300.0, 5e6, 0.3), "specific_gravity"),
        ((205.0, 5e6, 1.2), "reduced temperature"),
        ((300.0, 69.9e6, 0.65), "reduced pressure"),
    ],
)
def test_out_of_range_is_loud_for_scalars_and_nan_in_arrays(
    arguments: tuple[float, float, float], argument: str
) -> None:
    with pytest.raises(OutOfRangeError) as raised:
        gas.compressibility(*arguments)

    assert raised.value.argument == argument
    both = np.array([(300.0, 5e6, 0.65), arguments]).T
    np.testing.assert_array_equal(np.isnan(gas.compressibility(*both)), [False, True])


def test_a_gravity_too_low_for_its_acid_gases_is_refused() -> None:
    """10 % CO2 alone weighs 0.15: with gravity 0.6 the hydrocarbons would be lighter than methane."""
    with pytest.raises(OutOfRangeError, match=r"specific_gravity = 0\.4"):
        gas.compressibility(300.0, 5e6, 0.6, carbon_dioxide=0.1)


def test_absent_stays_absent() -> None:
    assert math.isnan(gas.compressibility(math.nan, 5e6, 0.65))
    assert math.isnan(gas.density(300.0, math.nan, 0.65))
    assert math.isnan(hydrate.hydrate_temperature(math.nan, 0.65))


@given(psia=st.floats(150.0, 3000.0), gravity=st.floats(0.58, 0.88), step=st.floats(1.01, 1.3))
def test_hydrates_form_hotter_under_pressure_and_in_heavier_gas(
    psia: float, gravity: float, step: float
) -> None:
    temperature = hydrate.hydrate_temperature(psia * PSI, gravity)

    assert hydrate.hydrate_temperature(psia * PSI * step, gravity) > temperature
    assert hydrate.hydrate_temperature(psia * PSI, gravity * step**0.3) > temperature
    assert hydrate.hydrate_margin(temperature + 3.0, psia * PSI, gravity) == pytest.approx(3.0)


UNITS = [value for value in vars(conversions).values() if isinstance(value, conversions.FieldUnit)]


@given(value=st.floats(-1e6, 1e6))
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.symbol)
def test_units_there_and_back(unit: conversions.FieldUnit, value: float) -> None:
    assert unit.from_si(unit.to_si(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)
