"""Hydrate temperatures against handbook readings and measured methane hydrate."""

from __future__ import annotations

import pytest

from calc.conversions import DEGREE_FAHRENHEIT, PSI_ABSOLUTE
from calc.hydrate import hydrate_temperature, hydrate_temperature_motiee
from tests.support.published import rows


@pytest.mark.parametrize("row", rows("hydrate"), ids=lambda row: f"{row['source']}-{row['pressure_MPa']}")
def test_hydrate_temperature(row: dict[str, str]) -> None:
    """Natural gas: +-3 K, the spread of readings of one chart. Methane: 0 to 9 K above, on the safe side."""
    calculated = hydrate_temperature(float(row["pressure_MPa"]) * 1e6, float(row["specific_gravity"]))
    distance = float(calculated) - float(row["temperature_K"])

    if row["gas"] == "methane":
        assert 0.0 <= distance <= 9.0
    else:
        assert abs(distance) <= 3.0


@pytest.mark.parametrize(
    ("psia", "gravity", "motiee", "towler"),
    [
        (200, 0.6, 32.44, 38.05), (200, 0.8, 47.40, 45.35), (500, 0.7, 54.52, 54.85), (1000, 0.6, 56.25,
        61.10), (1000, 0.7, 63.30, 64.60), (1500, 0.6, 61.42, 66.91), (2000, 0.7, 71.11, 74.35), (2000, 0.8,
        74.32, 77.23),
    ],
)  # fmt: skip
def test_both_correlations_as_another_library_evaluates_them(
    psia: float, gravity: float, motiee: float, towler: float
) -> None:
    """degF from the coefficients in the open library pyrestoolbox 3.8.9, evaluated outside this code."""
    pascal = PSI_ABSOLUTE.to_si(psia)

    assert DEGREE_FAHRENHEIT.from_si(hydrate_temperature_motiee(pascal, gravity)) == pytest.approx(
        motiee, abs=0.01
    )
    assert DEGREE_FAHRENHEIT.from_si(hydrate_temperature(pascal, gravity)) == pytest.approx(towler, abs=0.01)


@pytest.mark.parametrize("psia", [500.0, 1000.0, 1500.0])
def test_the_two_methods_and_hammerschmidt_lie_together(psia: float) -> None:
    """Hammerschmidt (1934), t = 8.9 P^0.285 in degF and psia (from memory), knows no gravity: +-5 K."""
    hammerschmidt = DEGREE_FAHRENHEIT.to_si(8.9 * psia**0.285)

    assert hydrate_temperature(PSI_ABSOLUTE.to_si(psia), 0.65) == pytest.approx(hammerschmidt, abs=5.0)
    assert hydrate_temperature_motiee(PSI_ABSOLUTE.to_si(psia), 0.65) == pytest.approx(hammerschmidt, abs=5.0)
