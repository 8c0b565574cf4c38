"""Properties of TEG against measured values and a second correlation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from chemicals.heat_capacity import zabransky_dicts
from iapws import IAPWS97

from calc import glycol
from tests.support.published import rows

DENSITIES = [row for row in rows("teg_density") if not row["outlier"]]
SAMPLED = [row for row in DENSITIES if row["doi"]][::4] + [row for row in DENSITIES if not row["doi"]][::12]


@pytest.mark.parametrize(
    "row", SAMPLED, ids=lambda row: f"{row['doi'] or 'thermoml'}-{row['teg_mass_fraction']}-{row['T_K']}"
)
def test_density_of_single_measurements(row: dict[str, str]) -> None:
    """3 kg/m3 is the spread between laboratories (0.27 %)."""
    density = glycol.density(float(row["T_K"]), float(row["teg_mass_fraction"]))

    assert density == pytest.approx(float(row["density"]), abs=3.0)


def test_density_of_all_measurements() -> None:
    temperature, fraction, measured = (
        np.array([float(row[name]) for row in DENSITIES]) for name in ("T_K", "teg_mass_fraction", "density")
    )
    deviation = glycol.density(temperature, fraction) - measured

    assert len(DENSITIES) == 552
    assert np.sqrt(np.mean(deviation**2)) < 0.75  # what the docstring states
    assert np.abs(deviation).max() < 2.9


@pytest.mark.parametrize("row", rows("teg_vapor_pressure"), ids=lambda row: f"{row['doi']}-{row['T_K']}")
def test_vapor_pressure(row: dict[str, str]) -> None:
    """5.5 %: the two papers differ by that between themselves."""
    assert glycol.teg_vapor_pressure(float(row["T_K"])) / 1e3 == pytest.approx(float(row["P_kPa"]), rel=0.055)


@pytest.mark.parametrize("row", rows("teg_second_correlation"), ids=lambda row: f"{row['T_C']} degC")
def test_second_correlation(row: dict[str, str]) -> None:
    """Two correlations of pure TEG: 1.2 % of density, 10 % of viscosity, 7 % of heat capacity apart."""
    kelvin = float(row["T_C"]) + 273.15

    assert glycol.density(kelvin, 1.0) == pytest.approx(float(row["density"]), rel=0.012)
    assert glycol.heat_capacity(kelvin, 1.0) / 1e3 == pytest.approx(float(row["heat_capacity"]), rel=0.07)
    if kelvin < glycol.VISCOSITY_TEMPERATURE.upper:
        assert glycol.viscosity(kelvin, 1.0) * 1e3 == pytest.approx(float(row["viscosity"]), rel=0.10)


@pytest.mark.parametrize("kelvin", [283.15, 293.15, 313.15, 333.15, 353.15, 373.15])
def test_water_end_of_the_mixing_rules(kelvin: float) -> None:
    """What is mixed in is water as IAPWS has it: the slope with the water content points at it."""
    water = IAPWS97(T=kelvin, x=0)
    per_water = (glycol.heat_capacity(kelvin, 0.9) - glycol.heat_capacity(kelvin, 1.0)) / 0.1
    log_ratio = np.log(glycol.viscosity(kelvin, 0.9) / glycol.viscosity(kelvin, 1.0)) / 0.1

    assert glycol.heat_capacity(kelvin, 1.0) + per_water == pytest.approx(water.cp * 1e3, rel=2e-3)
    assert glycol.viscosity(kelvin, 1.0) * np.exp(log_ratio) == pytest.approx(water.mu, rel=1e-2)


@pytest.mark.parametrize("kelvin", [280.0, 298.15, 350.0, 400.0, 450.0, 485.0])
def test_heat_capacity_by_the_library(kelvin: float) -> None:
    """The quasi-polynomial of the same monograph, by ``chemicals``: 2 % from the spline used here."""
    model: Any = zabransky_dicts["Zabransky quasipolynomial, constant-pressure"]["112-27-6"]
    molar = model.calculate(kelvin)

    assert glycol.heat_capacity(kelvin, 1.0) == pytest.approx(molar / 0.15017, rel=0.02)


def test_composition_of_campbells_example() -> None:
    """J. M. Campbell, Gas Conditioning and Processing, vol. 2, example 18.3: 98.7 wt% is x = 0.0989."""
    assert glycol.water_mole_fraction(0.987) == pytest.approx(0.0989, abs=2e-4)
