"""The plant's own properties against measurements and tables from outside the project."""

from __future__ import annotations

import math

import pytest

from daemon.fieldsim import properties
from tests.support.published import rows


def test_the_glycol_boils_where_it_was_measured_to_boil() -> None:
    deviations = [
        math.log(
            properties.bubble_pressure(_mass_fraction(float(row["x_water"])), float(row["T_C"]) + 273.15)
            / (1000.0 * float(row["P_kPa"]))
        )
        for row in rows("teg_water_boiling_points")
    ]
    assert len(deviations) > 40
    # The fit also honours handbook anchors that pull away from these points; 5 % rms is what that costs.
    assert math.sqrt(sum(d * d for d in deviations) / len(deviations)) < 0.05
    assert max(map(abs, deviations)) < 0.15


def _mass_fraction(x: float) -> float:
    water = x * properties.WATER_MOLAR_MASS
    return water / (water + (1.0 - x) * properties.TEG_MOLAR_MASS)


@pytest.mark.parametrize("row", rows("d1142_table_1")[::8], ids=lambda row: row["t_F"])
def test_gas_holds_the_water_of_the_standard_table(row: dict[str, str]) -> None:
    fahrenheit, psia = float(row["t_F"]), 1000.0
    table = float(row["a"]) / psia + float(row["b"])  # lb per 1e6 scf at 60 degF, 14.7 psia
    kelvin = (fahrenheit + 459.67) / 1.8
    si = properties.saturated_water_content(kelvin, psia * 6894.757)
    # 1 lb/MMscf in kg/m3 at 15 degC: 0.45359237 kg over 28 316.8 m3 at 288.71 K
    assert si / (0.45359237 / 28316.846592 * 288.70556 / 288.15) == pytest.approx(table, rel=0.025)


@pytest.mark.parametrize(("celsius", "percent"), [(190.56, (98.0, 98.3)), (204.44, (98.6, 98.8))])
def test_the_reboiler_makes_the_lean_glycol_of_the_handbooks(
    celsius: float, percent: tuple[float, float]
) -> None:
    # Handbook consensus at one atmosphere, from memory: 375 degF 98.0 to 98.3 wt%, 400 degF 98.6 to 98.8.
    water = properties.boiling_mass_fraction(celsius + 273.15, 101325.0)
    assert percent[0] <= 100.0 * (1.0 - water) <= percent[1]


@pytest.mark.parametrize("guess", [1e-4, 0.015, 0.3])
@pytest.mark.parametrize("temperature", [390.0, 440.0, 475.0])
def test_boiling_is_the_inverse_of_bubbling_from_any_guess(temperature: float, guess: float) -> None:
    water = properties.boiling_mass_fraction(temperature, 95e3, guess)
    assert properties.bubble_pressure(water, temperature) == pytest.approx(95e3, rel=2e-4)


def test_below_the_boiling_point_of_water_nothing_boils_and_far_above_everything_does() -> None:
    assert properties.boiling_mass_fraction(360.0, 95e3) == 1.0
    assert properties.boiling_mass_fraction(600.0, 95e3) == 0.0


@pytest.mark.parametrize("content", [2e-5, 1e-4, 6e-4])
def test_dew_point_is_the_inverse_of_water_content(content: float) -> None:
    temperature = properties.dew_point(content, 6e6)
    assert properties.saturated_water_content(temperature, 6e6) == pytest.approx(content, rel=1e-4)


def test_absorption_follows_kremser() -> None:
    # Arithmetic of the equation at N = 1.5, A = 7.313: 0.9560 (Campbell, volume 2, example 18.3).
    assert properties.absorbed_share(7.313, 1.5) == pytest.approx(0.9560, abs=2e-4)
    assert properties.absorbed_share(1.0, 2.0) == pytest.approx(2.0 / 3.0)
    assert properties.absorbed_share(0.0, 2.0) == 0.0
    assert properties.absorbed_share(1e9, 2.0) == 1.0
