"""Compressibility and density against the Standing-Katz chart and reference equations of state."""

from __future__ import annotations

import CoolProp.CoolProp as CP  # noqa: N817 - the name its own documentation uses
import pytest

from calc import gas
from calc.constants import AIR_MOLAR_MASS
from calc.conversions import DEGREE_FAHRENHEIT, POUND_PER_CUBIC_FOOT, PSI_ABSOLUTE
from calc.pseudocritical import pseudo_critical_piper, pseudo_critical_sutton
from tests.support.published import rows

CHART = rows("standing_katz")


def _name(row: dict[str, str]) -> str:
    return f"{row['reduced_temperature']}-{row['reduced_pressure']}"


@pytest.mark.parametrize("row", CHART, ids=_name)
def test_standing_katz(row: dict[str, str]) -> None:
    """Tolerance 1.2 %: the worst error that Dranchuk & Abou-Kassem's equation is known for in this field."""
    calculated = gas.reduced_compressibility(
        float(row["reduced_temperature"]), float(row["reduced_pressure"])
    )

    assert calculated == pytest.approx(float(row["z"]), rel=0.012)


def test_standing_katz_on_average() -> None:
    """Their paper states 0.3 to 0.6 % mean absolute error over 1500 points (from memory)."""
    errors = [
        abs(
            float(
                gas.reduced_compressibility(float(row["reduced_temperature"]), float(row["reduced_pressure"]))
            )
            / float(row["z"])
            - 1.0
        )
        for row in CHART
    ]

    assert sum(errors) / len(errors) < 0.005


def test_a_second_program_gives_the_same() -> None:
    """Sutton, Dranchuk & Abou-Kassem, gravity 0.65, 1000 psia, 100 degF: 0.87103 by pyrestoolbox 3.8.9.

    With Piper's pseudo-criticals the same library gives 0.88168. Tolerance: the figures printed.
    """
    kelvin, pascal = DEGREE_FAHRENHEIT.to_si(100.0), PSI_ABSOLUTE.to_si(1000.0)
    piper_temperature, piper_pressure = pseudo_critical_piper(0.65)

    assert gas.compressibility(kelvin, pascal, 0.65) == pytest.approx(0.87103, abs=2e-5)
    assert gas.reduced_compressibility(kelvin / piper_temperature, pascal / piper_pressure) == pytest.approx(
        0.88168, abs=2e-4
    )


COMPOSITIONS = {
    "lean": {"Methane": 0.96, "Ethane": 0.025, "Propane": 0.005, "Nitrogen": 0.005, "CarbonDioxide": 0.005},
    "usual": {
        "Methane": 0.90,
        "Ethane": 0.055,
        "Propane": 0.02,
        "n-Butane": 0.01,
        "Nitrogen": 0.005,
        "CarbonDioxide": 0.01,
    },
    "rich": {
        "Methane": 0.80,
        "Ethane": 0.10,
        "Propane": 0.05,
        "n-Butane": 0.03,
        "Nitrogen": 0.01,
        "CarbonDioxide": 0.01,
    },
    "CO2": {"Methane": 0.85, "Ethane": 0.06, "Nitrogen": 0.01, "CarbonDioxide": 0.08},
}


def _reference(composition: dict[str, float]) -> CP.AbstractState:
    state = CP.AbstractState("HEOS", "&".join(composition))
    state.set_mole_fractions(list(composition.values()))
    state.specify_phase(CP.iphase_gas)
    return state


@pytest.mark.parametrize(
    ("name", "kelvin", "bar", "tolerance"),
    [
        (name, kelvin, bar, tolerance)
        for name, tolerance in (("lean", 0.008), ("usual", 0.02), ("CO2", 0.02), ("rich", 0.06))
        for kelvin in (290.0, 305.0, 320.0)
        for bar in (20.0, 50.0, 70.0)
    ],
)
def test_compressibility_of_whole_compositions(
    name: str, kelvin: float, bar: float, tolerance: float
) -> None:
    """CoolProp's mixture of reference equations with the mixing rules of GERG-2008 (itself within 0.1 %).

    Tolerances: what a gravity can know of a composition, as the docstring of ``compressibility`` states it.
    """
    composition = COMPOSITIONS[name]
    state = _reference(composition)
    state.update(CP.PT_INPUTS, bar * 1e5, kelvin)

    calculated = gas.compressibility(
        kelvin,
        bar * 1e5,
        state.molar_mass() / AIR_MOLAR_MASS,
        carbon_dioxide=composition["CarbonDioxide"],
        nitrogen=composition["Nitrogen"],
    )

    assert calculated == pytest.approx(state.compressibility_factor(), rel=tolerance)


def test_sutton_is_nearer_to_reference_equations_than_piper() -> None:
    """The reason why ``compressibility`` uses it."""
    errors = {pseudo_critical_sutton: [0.0], pseudo_critical_piper: [0.0]}
    for composition in COMPOSITIONS.values():
        state = _reference(composition)
        for kelvin, bar in ((290.0, 40.0), (305.0, 60.0), (320.0, 90.0)):
            state.update(CP.PT_INPUTS, bar * 1e5, kelvin)
            for method, found in errors.items():
                temperature, pressure = method(
                    state.molar_mass() / AIR_MOLAR_MASS,
                    carbon_dioxide=composition["CarbonDioxide"],
                    nitrogen=composition["Nitrogen"],
                )
                z = gas.reduced_compressibility(kelvin / temperature, bar * 1e5 / pressure)
                found.append(abs(float(z) / state.compressibility_factor() - 1.0))

    assert sum(errors[pseudo_critical_sutton]) < sum(errors[pseudo_critical_piper])


def test_wichert_aziz_by_hand() -> None:
    """10 % CO2 and 20 % H2S shift the pseudo-critical temperature by 29.8 degR.

    Wichert & Aziz (1972), their equation evaluated by hand: 120 (0.3^0.9 - 0.3^1.6) + 15 (0.2^0.5 - 0.2^4) =
    23.1 + 6.7. Tolerance: the figures carried by hand.
    """
    sour, _ = pseudo_critical_sutton(0.85, carbon_dioxide=0.10, hydrogen_sulfide=0.20)
    hydrocarbon = (0.85 - 0.10 * 1.5196 - 0.20 * 1.1767) / 0.7
    plain = 0.7 * (169.2 + 349.5 * hydrocarbon - 74.0 * hydrocarbon**2) + 0.10 * 547.58 + 0.20 * 672.12

    assert plain - sour * 1.8 == pytest.approx(29.8, abs=0.1)


def test_gas_density_of_the_contactor_example() -> None:
    """GPSA Engineering Data Book, section 20, example: gravity 0.65, 600 psia, 100 degF: 1.97 lb/ft3.

    From memory, medium-high. Tolerance 5 %: the example rounds, and takes z from a chart.
    """
    calculated = gas.density(DEGREE_FAHRENHEIT.to_si(100.0), PSI_ABSOLUTE.to_si(600.0), 0.65)

    assert POUND_PER_CUBIC_FOOT.from_si(calculated) == pytest.approx(1.97, rel=0.05)


@pytest.mark.parametrize("kelvin", [280.0, 300.0, 330.0])
@pytest.mark.parametrize("bar", [10.0, 40.0, 80.0])
def test_density_of_methane(kelvin: float, bar: float) -> None:
    """Setzmann & Wagner's equation by CoolProp. Tolerance 2.5 %: gravity 0.554 is just below the fit."""
    calculated = gas.density(kelvin, bar * 1e5, 0.5539)

    assert calculated == pytest.approx(CP.PropsSI("D", "T", kelvin, "P", bar * 1e5, "Methane"), rel=0.025)
