"""Water in gas against IAPWS, ASTM D1142's table, charts, textbooks and general-purpose libraries."""

from __future__ import annotations

import math
from typing import Any

import CoolProp.CoolProp as CP  # noqa: N817 - the name its own documentation uses
import pytest
from chemicals.iapws import iapws11_Psub
from chemicals.vapor_pressure import Psat_IAPWS

from calc import saturation, water, water_methods
from calc.conversions import (
    BASE_0_CELSIUS,
    BASE_15_CELSIUS,
    BASE_60F_14_7,
    BASE_60F_14_73,
    BASE_60F_14_696,
    DEGREE_FAHRENHEIT,
    PPM_BY_VOLUME,
    PSI_ABSOLUTE,
    FieldUnit,
    milligram_per_cubic_meter,
    pound_per_million_standard_cubic_feet,
)
from tests.support.published import rows

D1142_UNIT = pound_per_million_standard_cubic_feet(BASE_60F_14_7)


@pytest.mark.parametrize("row", rows("water_saturation_pressure"), ids=lambda row: f"{row['temperature_K']}K")
def test_saturation_pressure(row: dict[str, str]) -> None:
    """Tolerances: figures printed, and 0.02 % between the auxiliary equation and IAPWS-IF97."""
    function = {
        "liquid": saturation.saturation_pressure_over_liquid,
        "ice": saturation.saturation_pressure_over_ice,
    }[row["phase"]]

    calculated = function(float(row["temperature_K"]))

    assert calculated == pytest.approx(float(row["pressure_Pa"]), rel=float(row["tolerance"]))


@pytest.mark.parametrize("kelvin", [240.0, 250.0, 260.0, 270.0, 273.15])
def test_supercooled_water_lies_near_murphy_and_koop(kelvin: float) -> None:
    """Murphy & Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539-1565, eq. 10 (from memory): an independent fit.

    Tolerance 0.4 %: the Wagner-Pruss equation is extrapolated here, and its docstring says how far.
    """
    log_pressure = 54.842763 - 6763.22 / kelvin - 4.210 * math.log(kelvin) + 0.000367 * kelvin
    log_pressure += math.tanh(0.0415 * (kelvin - 218.8)) * (
        53.878 - 1331.22 / kelvin - 9.44523 * math.log(kelvin) + 0.014025 * kelvin
    )

    calculated = saturation.saturation_pressure_over_liquid(kelvin)

    assert calculated == pytest.approx(math.exp(log_pressure), rel=4e-3)


@pytest.mark.parametrize("kelvin", [275.0, 290.0, 310.0, 350.0, 420.0, 500.0, 600.0])
def test_saturation_pressure_agrees_with_libraries(kelvin: float) -> None:
    """Tolerance 0.03 %: IAPWS-95 (CoolProp) and IAPWS-IF97 (chemicals) differ by as much."""
    calculated = saturation.saturation_pressure_over_liquid(kelvin)

    assert calculated == pytest.approx(CP.PropsSI("P", "T", kelvin, "Q", 0, "Water"), rel=3e-4)
    assert calculated == pytest.approx(Psat_IAPWS(kelvin), rel=3e-4)


@pytest.mark.parametrize("kelvin", [150.0, 190.0, 215.0, 235.0, 255.0, 270.0])
def test_ice_agrees_with_a_library(kelvin: float) -> None:
    """The same equation in another hand: equal to rounding."""
    library: Any = iapws11_Psub  # it has no types
    assert saturation.saturation_pressure_over_ice(kelvin) == pytest.approx(library(kelvin), rel=1e-8)


@pytest.mark.parametrize("row", rows("d1142_table_1"), ids=lambda row: f"{row['t_F']}F")
def test_d1142_table(row: dict[str, str]) -> None:
    """Both columns of the table, at a low, a usual and a high pressure.

    Tolerance 0.5 % of the A term (three figures) plus 2.2 % of the B term (two figures below -20 degF).
    """
    kelvin = DEGREE_FAHRENHEIT.to_si(float(row["t_F"]))
    a, b = float(row["a"]), float(row["b"])

    for psia in (14.7, 300.0, 1000.0):
        calculated = D1142_UNIT.from_si(water.saturated_water_content(kelvin, PSI_ABSOLUTE.to_si(psia)))
        assert calculated == pytest.approx(a / psia + b, abs=0.005 * a / psia + 0.022 * b)


@pytest.mark.parametrize(
    "row", rows("water_content_readings"), ids=lambda row: f"{row['t_F']}F-{row['p_psia']}"
)
def test_water_content_readings(row: dict[str, str]) -> None:
    kelvin, pascal = (
        DEGREE_FAHRENHEIT.to_si(float(row["t_F"])),
        PSI_ABSOLUTE.to_si(float(row["p_psia"])),
    )

    calculated = D1142_UNIT.from_si(water.saturated_water_content(kelvin, pascal))

    assert calculated == pytest.approx(float(row["content"]), rel=float(row["tolerance"]))


@pytest.mark.parametrize(("fahrenheit", "content"), [(69.0, 25.75), (15.0, 4.07), (100.0, 63.21)])
def test_the_second_method_is_monograph_20(fahrenheit: float, content: float) -> None:
    """Whitson & Brule, SPE Monograph 20, appendix B problem 21 (69 and 15 degF; 1000 psia, gravity 0.7).

    Tolerance 0.5 %: the source rounds the molar volume in its last step by 0.4 %.
    """
    calculated = water_methods.saturated_water_content_whitson_brule(
        DEGREE_FAHRENHEIT.to_si(fahrenheit), PSI_ABSOLUTE.to_si(1000.0), 0.7
    )

    assert pound_per_million_standard_cubic_feet().from_si(calculated) == pytest.approx(content, rel=5e-3)


def test_the_worked_water_removal_of_monograph_20() -> None:
    """Appendix B problem 21: 65 MMscf/D, gravity 0.7, cooled from 69 to 15 degF at 1000 psia: 1408.9 lb/D."""
    content = [
        pound_per_million_standard_cubic_feet().from_si(
            water_methods.saturated_water_content_whitson_brule(
                DEGREE_FAHRENHEIT.to_si(fahrenheit), PSI_ABSOLUTE.to_si(1000.0), 0.7
            )
        )
        for fahrenheit in (69.0, 15.0)
    ]

    assert 65.0 * (content[0] - content[1]) == pytest.approx(1408.9, rel=5e-3)


def _methane_content(kelvin: float, pascal: float) -> float:
    """Saturated content of methane where the fugacity of water is the same in both phases."""
    saturated = CP.PropsSI("P", "T", kelvin, "Q", 0, "Water")
    liquid_volume = 0.018015 / 1000.0
    gas = CP.AbstractState("HEOS", "Methane&Water")
    fraction = saturated / pascal
    for _ in range(8):
        gas.set_mole_fractions([1.0 - fraction, fraction])
        gas.specify_phase(CP.iphase_gas)
        gas.update(CP.PT_INPUTS, pascal, kelvin)
        poynting = math.exp(liquid_volume * (pascal - saturated) / (8.314462618 * kelvin))
        fraction = saturated * poynting / (pascal * gas.fugacity_coefficient(1))
    return PPM_BY_VOLUME.to_si(1e6 * fraction)


@pytest.mark.parametrize("kelvin", [283.15, 293.15, 303.15, 323.15])
@pytest.mark.parametrize(("bar", "tolerance"), [(5.0, 0.01), (20.0, 0.02), (40.0, 0.04)])
def test_content_agrees_with_reference_equations_of_state(
    kelvin: float, bar: float, tolerance: float
) -> None:
    """CoolProp's mixture of reference equations (GERG-2008's mixing rules) for methane and water.

    Tolerances rise with pressure, as the effect of the mixture model's missing departure function does.
    """
    calculated = water.saturated_water_content(kelvin, bar * 1e5)

    assert calculated == pytest.approx(_methane_content(kelvin, bar * 1e5), rel=tolerance)


@pytest.mark.parametrize("kelvin", [290.0, 300.0, 310.0, 325.0])
@pytest.mark.parametrize("bar", [30.0, 55.0, 70.0])
def test_the_stated_uncertainty_covers_the_spread_of_methods(kelvin: float, bar: float) -> None:
    """Three standard uncertainties reach the reference equations where methods part company.

    Above 70 bar they do not: there the mixture of reference equations, which has no departure function for
    methane and water, lies above every other method and is no judge.
    """
    ours = float(water.saturated_water_content(kelvin, bar * 1e5))
    distance = abs(_methane_content(kelvin, bar * 1e5) / ours - 1.0)

    assert distance <= 3.0 * water_methods.relative_uncertainty(kelvin, bar * 1e5, 0.6)


@pytest.mark.parametrize(
    "row", rows("pipeline_dew_points"), ids=lambda row: f"{row['content_lb_per_mmscf']}-{row['p_psia']}"
)
def test_dew_points(row: dict[str, str]) -> None:
    """The same closed form solved by another program: 0.02 K is what its rounding of constants leaves."""
    content, pascal = float(row["content_lb_per_mmscf"]), PSI_ABSOLUTE.to_si(float(row["p_psia"]))

    calculated = water.water_dew_point(D1142_UNIT.to_si(content), pascal)

    assert calculated == pytest.approx(DEGREE_FAHRENHEIT.to_si(float(row["dew_point_F"])), abs=0.02)


@pytest.mark.parametrize(
    ("content", "expected", "tolerance"),
    [
        (3.98, 265.15, 0.1),  # -8 degC at 70 bar: Energinet 2015 and EASEE-gas, in D1142 terms
        (7.0, 273.15, 0.6),  # 7 lb/MMscf is commonly said to be about 32 degF at 1000 psia (common practice)
        (4.0, 265.2, 0.6),  # 4 lb/MMscf is commonly said to be about 18 degF at 1000 psia (common practice)
    ],
)
def test_pipeline_limits_as_dew_points(content: float, expected: float, tolerance: float) -> None:
    pressure = 70e5 if content == 3.98 else PSI_ABSOLUTE.to_si(1000.0)

    calculated = water.water_dew_point(D1142_UNIT.to_si(content), pressure)

    assert calculated == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("celsius", "distance_1_bar", "distance_70_bar"),
    [(-5, 0.57, 0.64), (-8, 0.90, 1.00), (-10, 1.11, 1.24), (-20, 2.07, 2.36), (-30, 2.88, 3.36)],
)
def test_frost_point_lies_above_the_dew_point(
    celsius: float, distance_1_bar: float, distance_70_bar: float
) -> None:
    """Worked out outside this code from IAPWS R14-08 and the extrapolated liquid; 0.01 K as printed."""
    for pascal, distance in ((101325.0, distance_1_bar), (70e5, distance_70_bar)):
        content = water.saturated_water_content(273.15 + celsius, pascal)
        calculated = water.frost_point(content, pascal) - (273.15 + celsius)
        assert calculated == pytest.approx(distance, abs=0.011)


@pytest.mark.parametrize(
    ("unit", "content", "ppm"),
    [
        # GPSA Engineering Data Book, section 20: 1000 ppmv is 47.4 to 47.5 lb/MMscf (from memory);
        # the figures follow from 379.48 ft3/lbmol at 14.696 psia and 60 degF (same source, section 1).
        (pound_per_million_standard_cubic_feet(BASE_60F_14_696), 47.473, 1000.0),
        (pound_per_million_standard_cubic_feet(BASE_60F_14_7), 47.486, 1000.0),
        (pound_per_million_standard_cubic_feet(BASE_60F_14_73), 47.583, 1000.0),
        # ISO 13443: 23.6448 and 22.4140 dm3/mol at 15 and 0 degC.
        (milligram_per_cubic_meter(BASE_15_CELSIUS), 0.76191, 1.0),
        (milligram_per_cubic_meter(BASE_0_CELSIUS), 0.80375, 1.0),
        # Centra Minnesota tariff: 2.8 grain/100 cf, which is 4 lb/MMscf; TransGas tariff: 65 mg/m3.
        (pound_per_million_standard_cubic_feet(), 2.8 * 1e4 / 7000.0, 84.258),
        (milligram_per_cubic_meter(), 65.0, 85.312),
    ],
)
def test_content_units(unit: FieldUnit, content: float, ppm: float) -> None:
    """Tolerance 2e-5: the figures printed."""
    assert PPM_BY_VOLUME.from_si(unit.to_si(content)) == pytest.approx(ppm, rel=2e-5)


@pytest.mark.parametrize(
    ("fahrenheit", "psia", "measured"),
    [(160, 1000, 286.0), (160, 1000, 282.0), (130, 1500, 111.0), (160, 1367, 247.0), (100, 2000, 40.6)],
)
def test_sour_gas_holds_more_than_calculated(fahrenheit: float, psia: float, measured: float) -> None:
    """Measured contents with 11-20 % CO2 or 8-28 % H2S: GPSA, section 20 (from memory, medium).

    A one-sided check, which is what the caution claims: up to 14 % more water than the sweet-gas form.
    """
    sweet = D1142_UNIT.from_si(
        water.saturated_water_content(DEGREE_FAHRENHEIT.to_si(fahrenheit), PSI_ABSOLUTE.to_si(psia))
    )

    assert 1.0 < measured / sweet < 1.14
