"""Equilibrium of TEG and water against measured boiling points, handbook figures and other libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from thermo.unifac import UNIFAC

from calc import activity, equilibrium
from calc.conversions import DEGREE_FAHRENHEIT
from calc.glycol import teg_mass_fraction, water_mole_fraction
from tests.published.fit_equilibrium import CHOUIREB, deviations, fit, uniquac
from tests.support.published import rows


def _kelvin(fahrenheit: float) -> float:
    return float(DEGREE_FAHRENHEIT.to_si(fahrenheit))


@pytest.mark.parametrize(
    "row", rows("teg_water_boiling_points"), ids=lambda row: f"x={row['x_water']}-{row['P_kPa']}kPa"
)
def test_fitted_boiling_points(row: dict[str, str]) -> None:
    """12 % of pressure is 3.5 K of boiling point; the points scatter by that at the lean end."""
    fraction = teg_mass_fraction(float(row["x_water"]))
    pressure = equilibrium.bubble_pressure(float(row["T_C"]) + 273.15, fraction)

    assert pressure / 1e3 == pytest.approx(float(row["P_kPa"]), rel=0.12)


OTHERS = [
    row
    for row in rows("teg_water_boiling_points_other")
    if float(row["x_water"]) >= (0.5 if row["doi"] == "10.1021/je800675u" else 0.35)
]


@pytest.mark.parametrize("row", OTHERS, ids=lambda row: f"{row['doi']}-x={row['x_water']}-{row['P_kPa']}kPa")
def test_boiling_points_that_were_not_fitted(row: dict[str, str]) -> None:
    """15 %: what the sets differ by where they are usable at all (README.md here)."""
    fraction = teg_mass_fraction(float(row["x_water"]))
    pressure = equilibrium.bubble_pressure(float(row["T_C"]) + 273.15, fraction)

    assert pressure / 1e3 == pytest.approx(float(row["P_kPa"]), rel=0.15)


def test_all_fitted_points_together() -> None:
    deviation = deviations(uniquac(), [activity.LOG_TAU], CHOUIREB)

    assert len(deviation) == 51
    assert np.sqrt(np.mean(deviation**2)) < 0.040  # what the docstring states


def test_the_constant_is_the_fit() -> None:
    assert fit(uniquac(), [0.3])[0] == pytest.approx(activity.LOG_TAU, abs=2e-4)


def test_equations_against_those_of_the_fit() -> None:
    """The product sorts UNIQUAC by composition; the script writes it as its authors do."""
    x = np.linspace(1e-6, 1.0 - 1e-6, 101)
    water, teg, _ = activity.activity_logarithms(x)
    expected_water, expected_teg = uniquac()([activity.LOG_TAU], x, np.full_like(x, 350.0))

    np.testing.assert_allclose(water, expected_water, atol=1e-12)
    np.testing.assert_allclose(teg, expected_teg, atol=1e-12)


def test_gibbs_and_duhem() -> None:
    """x1 dln(gamma1) + x2 dln(gamma2) = 0 at constant temperature: no set of equations passes by chance."""
    x, step = np.linspace(0.001, 0.999, 500), 1e-5
    _, before, _ = activity.activity_logarithms(x - step)
    _, after, _ = activity.activity_logarithms(x + step)
    _, _, slope = activity.activity_logarithms(x)

    np.testing.assert_allclose(x * slope + (1 - x) * (after - before) / (2 * step), 0.0, atol=1e-8)


def test_dew_point_over_glycol_by_gpsa() -> None:
    """GPSA Engineering Data Book, sec. 20, contactor example: 14 degF over 99.0 % at 100 degF (from memory).

    1.5 K: the chart is read to 2 degF.
    """
    assert equilibrium.dew_point_over_glycol(_kelvin(100.0), 0.99) == pytest.approx(_kelvin(14.0), abs=1.5)


def test_activity_coefficient_by_campbell() -> None:
    """J. M. Campbell, vol. 2, figure 18.7 as quoted with example 18.3: 0.66 at 40 degC and 98.7 %.

    Two stated standard uncertainties of 0.16 in the logarithm; in dew point 2.1 K.
    """
    coefficient = equilibrium.water_activity_coefficient(0.987)

    assert math.log(coefficient) == pytest.approx(math.log(0.66), abs=0.32)


@pytest.mark.parametrize("fraction", [0.97, 0.98, 0.987, 0.99, 0.995, 0.999])
def test_between_the_bounds(fraction: float) -> None:
    """UNIFAC (library ``thermo``) cuts TEG into groups in two ways and brackets the answer: 0.33 and 0.74."""
    x = water_mole_fraction(fraction)
    by_alcohol, by_diol = (
        UNIFAC.from_subgroups(T=311.0, xs=[x, 1.0 - x], chemgroups=[{16: 1}, groups]).gammas()[0]
        for groups in ({2: 4, 25: 2, 14: 2}, {62: 1, 2: 2, 25: 2})  # CH2, CH2O, OH; glycol group, CH2, CH2O
    )

    assert by_alcohol < equilibrium.water_activity_coefficient(fraction) < by_diol < 1.0


@pytest.mark.parametrize("fraction", [0.95, 0.98, 0.99, 0.995, 0.999])
@pytest.mark.parametrize("kelvin", [288.7, 299.8, 310.9, 322.0, 333.2])
def test_purity_and_dew_point_are_inverse(kelvin: float, fraction: float) -> None:
    dew_point = equilibrium.dew_point_over_glycol(kelvin, fraction)

    assert equilibrium.teg_mass_fraction_for_dew_point(kelvin, dew_point) == pytest.approx(fraction, abs=1e-9)


@pytest.mark.parametrize(("fahrenheit", "depression"), [(80.0, 80.0), (100.0, 84.0), (120.0, 88.0)])
def test_dew_point_depression(fahrenheit: float, depression: float) -> None:
    """99 % lean glycol depresses the dew point by 80 to 90 degF (handbook charts, from memory): 10 degF."""
    dew_point = equilibrium.dew_point_over_glycol(_kelvin(fahrenheit), 0.99)

    assert fahrenheit - DEGREE_FAHRENHEIT.from_si(dew_point) == pytest.approx(depression, abs=10.0)
