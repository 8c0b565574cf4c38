"""The contactor against worked examples of the handbooks."""

from __future__ import annotations

import math

import pytest

from calc import absorber, kremser
from calc.constants import STANDARD_MOLAR_VOLUME, US_GALLON, WATER_STANDARD_DENSITY
from calc.conversions import (
    DEGREE_FAHRENHEIT,
    GALLON_PER_HOUR,
    PSI_ABSOLUTE,
    million_standard_cubic_feet_per_day,
    pound_per_million_standard_cubic_feet,
)
from calc.glycol import density
from calc.unit import Design, Readings, evaluate
from calc.water import saturated_water_content

MMSCFD = million_standard_cubic_feet_per_day()
CONTENT = pound_per_million_standard_cubic_feet()


def _kelvin(fahrenheit: float) -> float:
    return float(DEGREE_FAHRENHEIT.to_si(fahrenheit))


@pytest.mark.parametrize(
    ("factor", "stages", "efficiency"),
    [
        # J. M. Campbell, vol. 2, example 18.3: inlet 1100, outlet 117, W0 71.8 kg per 1e6 m3: Ea = 0.956
        (7.313, 1.5, 0.956),
        # Kremser's equation by hand: A + A^2 + ... over 1 + A + A^2 + ...
        (2.0, 1.0, 2.0 / 3.0),
        (2.0, 2.0, 6.0 / 7.0),
        (0.5, 2.0, 0.75 / 1.75),
        (1.0, 1.0, 1.0 / 2.0),
        (1.0, 2.0, 2.0 / 3.0),
        (1.0, 3.0, 3.0 / 4.0),
        (1.4, 8.0, sum(1.4**k for k in range(1, 9)) / sum(1.4**k for k in range(9))),
    ],
)
def test_kremser(factor: float, stages: float, efficiency: float) -> None:
    assert kremser.kremser_efficiency(factor, stages) == pytest.approx(efficiency, rel=1e-3)


def test_equilibrium_constant_of_campbells_example() -> None:
    """K = gamma W_sat / B with B = 761 000 kg per 1e6 m3 (seen): what the vapour weighs at 15 degC.

    His gamma of 0.66 and his W_sat give K = 9.54e-4. Ours is smaller by the ratio of the two gammas: two
    stated standard uncertainties, 32 %.
    """
    factor = absorber.absorption_factor(313.15, 70e5, 1.0, 1e-4, 0.987)
    lean_moles = 1e-4 * density(313.15, 0.987) * absorber.moles_per_mass(0.987)
    constant = lean_moles * STANDARD_MOLAR_VOLUME / factor

    assert pytest.approx(761_000, rel=2e-3) == WATER_STANDARD_DENSITY * 1e6
    assert math.log(constant / 9.54e-4) == pytest.approx(0.0, abs=0.32)


def test_saturated_feed_of_campbells_example() -> None:
    """Example 18.3: gas saturated at 70 bara and 40 degC holds 1100 kg per 1e6 m3 (off a chart, 5 %)."""
    assert saturated_water_content(313.15, 70e5) * 1e6 == pytest.approx(1100.0, rel=0.05)


@pytest.mark.parametrize(("stages", "efficiency"), [(1.5, 0.885), (2.0, 0.925)])
def test_gpsa_contactor(stages: float, efficiency: float) -> None:
    """GPSA Engineering Data Book, sec. 20, contactor example (from memory): 30 MMscfd, 600 psia, 100 degF.

    99.0 %, 3 gal/lb of 83 lb/MMscf. The book reads the share of the inlet water that is removed, 0.885 and
    0.925, off charts: 0.02.
    """
    temperature, pressure = _kelvin(100.0), PSI_ABSOLUTE.to_si(600.0)
    rate = GALLON_PER_HOUR.to_si(3.0 * 83.0 * 30.0 / 24.0)
    outlet = absorber.outlet_water_content(temperature, pressure, MMSCFD.to_si(30.0), rate, 0.99, stages)

    assert 1.0 - outlet / saturated_water_content(temperature, pressure) == pytest.approx(
        efficiency, abs=0.02
    )


def test_gpsa_contactor_needs_eight_trays() -> None:
    """The same example: 1.5 stages (6 trays) do not make 7 lb/MMscf, 2 stages (8 trays) do."""
    rate = GALLON_PER_HOUR.to_si(3.0 * 83.0 * 30.0 / 24.0)
    outlets = [
        CONTENT.from_si(
            absorber.outlet_water_content(
                _kelvin(100.0), PSI_ABSOLUTE.to_si(600.0), MMSCFD.to_si(30.0), rate, 0.99, stages
            )
        )
        for stages in (1.5, 2.0)
    ]

    assert outlets[0] > 7.0 > outlets[1]


@pytest.mark.parametrize(("purity", "lowest", "highest"), [(0.9895, 3.8, 7.4), (0.985, 5.0, 9.0)])
def test_arnold_and_stewart(purity: float, lowest: float, highest: float) -> None:
    """Surface Production Operations, vol. 2, ch. 8 (from memory): 98 MMscfd of 63 lb/MMscf, 1000 psig.

    100 degF, 2.8 gal/lb are 640 gal/h, 8 trays give 7 lb/MMscf. The lean concentration is remembered as 98.95
    or 98.5 %; 8 trays are 2 stages at 25 %, less with the authors' allowance: the range holds both.
    """
    outlet = absorber.outlet_water_content(
        _kelvin(100.0),
        PSI_ABSOLUTE.to_si(1014.7),
        MMSCFD.to_si(98.0),
        GALLON_PER_HOUR.to_si(640.0),
        purity,
        2.0,
        CONTENT.to_si(63.0),
    )

    assert lowest < CONTENT.from_si(outlet) < highest


def test_circulation_of_a_whole_unit() -> None:
    """10 MMscfd, 90 to 7 lb/MMscf, 3 gal/lb: 103.75 gal/h, 172.9 strokes/min of 0.01 gal (by hand)."""
    readings = Readings(
        gas_temperature=_kelvin(100.0),
        gas_pressure=PSI_ABSOLUTE.to_si(600.0),
        gas_rate=MMSCFD.to_si(10.0),
        reboiler_temperature=_kelvin(400.0),
        stroke_rate=172.9 / 60.0,
        inlet_water_content=CONTENT.to_si(90.0),
    )
    design = Design(
        specific_gravity=0.65,
        theoretical_stages=2.0,
        pump_displacement=0.01 * US_GALLON,
        volumetric_efficiency=1.0,
        barometric_pressure=101325.0,
        limit_water_content=CONTENT.to_si(7.0),
    )
    results = evaluate(readings, design)

    assert GALLON_PER_HOUR.from_si(results.circulation_rate.value) == pytest.approx(103.75, rel=1e-3)
    # 90 lb/MMscf * 10 MMscfd / 24 h = 37.5 lb/h
    assert results.water_load.value / 0.45359237 * 3600 == pytest.approx(37.5, rel=1e-3)
    assert results.circulation_ratio.value / (US_GALLON / 0.45359237) == pytest.approx(3.0, rel=0.04)


def test_restaging_after_a_measured_outlet() -> None:
    """What the contactor gave is explained by the stages it has: the inverse through the whole unit."""
    design = Design(
        specific_gravity=0.65,
        theoretical_stages=1.7,
        trays=6,
        pump_displacement=1e-4,
        barometric_pressure=90e3,
        limit_dew_point=265.15,
        limit_pressure=70e5,
    )
    first = evaluate(Readings(305.0, 65e5, 8.0, 472.0, 3.0), design)
    again = evaluate(
        Readings(305.0, 65e5, 8.0, 472.0, 3.0, outlet_water_content=first.outlet_water_content.value), design
    )

    assert again.inferred_stages.value == pytest.approx(1.7, rel=1e-9)
    assert again.inferred_tray_efficiency.value == pytest.approx(1.7 / 6.0, rel=1e-9)
