"""The linearised uncertainty of a whole unit against Monte Carlo through an independent chain."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from calc import absorber, activity, equilibrium, glycol, saturation, solvers, water
from calc.arrays import FloatOrArray
from calc.constants import STANDARD_MOLAR_VOLUME, WATER_STANDARD_DENSITY
from calc.readings import SOURCES
from calc.uncertainty import combine, probability_below_zero, standard_uncertainty
from calc.unit import Design, Readings, Uncertainties, dominant_source, evaluate
from tests.support.narrow import array, present

READINGS = Readings(
    gas_temperature=308.0, gas_pressure=5.0e6, gas_rate=9.0, reboiler_temperature=474.0, stroke_rate=2.6
)
DESIGN = Design(
    specific_gravity=0.65,
    theoretical_stages=2.0,
    pump_displacement=1.8e-4,
    barometric_pressure=95e3,
    limit_water_content=1.12e-4,
    limit_pressure=5.0e6,
)
SD = Uncertainties()
SAMPLES = 40_000


@dataclasses.dataclass
class Sample:
    """Standard normal deviates of every source, a row each."""

    deviates: dict[str, NDArray[np.float64]]

    def __getitem__(self, source: str) -> NDArray[np.float64]:
        return self.deviates[source] * float(getattr(SD, source))


def brute_force(off: Sample) -> dict[str, NDArray[np.float64]]:
    """The unit again, from the functions of the handbook's chain, every source truly off."""
    temperature = READINGS.gas_temperature + off["gas_temperature"]
    pressure = READINGS.gas_pressure * (1.0 + off["gas_pressure"])
    gas = READINGS.gas_rate * (1.0 + off["gas_rate"])
    reboiler = READINGS.reboiler_temperature + off["reboiler_temperature"]
    boiling = DESIGN.barometric_pressure + off["reboiler_pressure"]
    flow = READINGS.stroke_rate * DESIGN.pump_displacement * DESIGN.volumetric_efficiency
    flow = flow * (1.0 + off["circulation_rate"])
    stages = DESIGN.theoretical_stages * (1.0 + off["theoretical_stages"])
    steam = saturation.saturation_pressure_over_liquid(reboiler)
    teg = glycol.teg_vapor_pressure(reboiler)

    def excess(x: FloatOrArray) -> FloatOrArray:
        log_water, log_teg, _ = activity.activity_logarithms(x)
        log_water = log_water + off["activity"] + off["activity_reboiler"]
        return x * np.exp(log_water) * steam + (1.0 - x) * np.exp(log_teg) * teg - boiling

    x = solvers.find_root(
        excess, np.full_like(steam, 1e-4), np.full_like(steam, 0.5), quantity="x", tolerance=1e-12
    )
    purity = glycol.teg_mass_fraction(x)
    gamma = equilibrium.water_activity_coefficient(purity) * np.exp(
        off["activity"] + off["activity_contactor"]
    )
    saturated = water.saturated_water_content(temperature, pressure) * (1.0 + off["water_content_model"])
    driest = saturated * gamma * x
    moles = flow * glycol.density(temperature, purity) * absorber.moles_per_mass(purity)
    factor = moles * WATER_STANDARD_DENSITY * STANDARD_MOLAR_VOLUME / (gamma * saturated * gas)
    ratio = factor * (factor**stages - 1.0) / (factor - 1.0)
    outlet = (saturated + ratio * driest) / (1.0 + ratio)
    reading = 1.0 + off["dew_point_model"]
    limit, pressure_of_limit = present(DESIGN.limit_water_content), present(DESIGN.limit_pressure)
    limit_dew_point = water.water_dew_point(limit / reading, pressure_of_limit)
    outlet_dew_point = water.water_dew_point(outlet / reading, pressure_of_limit)
    found = {
        "lean_mass_fraction": purity,
        "saturated_water_content": saturated,
        "equilibrium_dew_point": water.water_dew_point(driest / reading, pressure_of_limit),
        "outlet_water_content": outlet,
        "outlet_dew_point": outlet_dew_point,
        "limit_dew_point": limit_dew_point,
        "dew_point_margin": limit_dew_point - outlet_dew_point,
        "water_removed": gas * (saturated - outlet),
        "circulation_ratio": flow / (gas * (saturated - outlet)),
        "water_load": gas * saturated,
    }
    return {name: array(values) for name, values in found.items()}


@pytest.fixture(scope="module")
def sampled() -> dict[str, NDArray[np.float64]]:
    generator = np.random.default_rng(20260101)
    return brute_force(Sample({source: generator.standard_normal(SAMPLES) for source in SOURCES}))


NAMES = (
    "lean_mass_fraction",
    "saturated_water_content",
    "equilibrium_dew_point",
    "outlet_dew_point",
    "limit_dew_point",
    "dew_point_margin",
    "water_removed",
    "circulation_ratio",
    "water_load",
)


@pytest.mark.parametrize("name", NAMES)
def test_monte_carlo_agrees(name: str, sampled: dict[str, NDArray[np.float64]]) -> None:
    """8 %: the chain bends within one standard deviation, most with the stages; sampling adds 0.4 %."""
    uncertainty = getattr(evaluate(READINGS, DESIGN), name).uncertainty

    assert uncertainty == pytest.approx(float(np.std(sampled[name])), rel=0.08)


def test_probability_over_the_limit_agrees(sampled: dict[str, NDArray[np.float64]]) -> None:
    share = float(np.mean(sampled["dew_point_margin"] < 0.0))

    assert evaluate(READINGS, DESIGN).probability_over_limit.value == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("name", [*NAMES, "outlet_water_content"])
def test_nothing_off_gives_the_estimate(name: str) -> None:
    exact = brute_force(Sample({source: np.zeros(1) for source in SOURCES}))[name][0]

    assert getattr(evaluate(READINGS, DESIGN), name).value == pytest.approx(float(exact), rel=1e-9)


@pytest.mark.parametrize(
    "source", [s for s in SOURCES if not s.startswith(("inlet", "outlet", "stripping", "lab"))]
)
def test_each_source_alone(source: str) -> None:
    """A hundredth of a standard deviation is straight: effects must agree to 1 %."""
    if source in {"compressibility_model", "hydrate_model", "reboiler_duty_model"}:
        names: tuple[str, ...] = ()
    else:
        names = NAMES
    tiny = {other: np.zeros(1) for other in SOURCES}
    tiny[source] = np.full(1, 0.01)
    plus = brute_force(Sample(tiny))
    tiny[source] = np.full(1, -0.01)
    minus = brute_force(Sample(tiny))
    only = Uncertainties(**{s: getattr(SD, s) if s == source else 0.0 for s in SOURCES})
    results = evaluate(READINGS, DESIGN, only)

    for name in names:
        slope = abs(float(plus[name][0] - minus[name][0])) / 0.02
        estimate = getattr(results, name)
        assert estimate.uncertainty == pytest.approx(slope, rel=0.01, abs=1e-7 * abs(estimate.value)), name


def test_what_contactor_and_reboiler_share_cancels_when_purity_is_calculated() -> None:
    """Glycol that binds water harder leaves the reboiler wetter and dries better: the error drops out."""
    shared = Uncertainties(**{s: 0.1 if s == "activity" else 0.0 for s in SOURCES})
    calculated = evaluate(READINGS, DESIGN, shared)
    sampled = dataclasses.replace(READINGS, lean_mass_fraction=calculated.lean_mass_fraction.value)
    by_laboratory = evaluate(sampled, DESIGN, shared)

    assert calculated.equilibrium_dew_point.uncertainty < 0.15
    assert by_laboratory.equilibrium_dew_point.uncertainty > 1.0
    assert by_laboratory.equilibrium_dew_point.value == pytest.approx(calculated.equilibrium_dew_point.value)


def test_past_samples_take_the_place_of_the_reboiler_model() -> None:
    known = dataclasses.replace(DESIGN, lean_water_factor=1.25, lean_water_factor_uncertainty=0.04)
    before, after = (evaluate(READINGS, design).lean_mass_fraction for design in (DESIGN, known))

    assert 1.0 - after.value == pytest.approx(1.25 * (1.0 - before.value), rel=1e-12)
    instruments = {"reboiler_temperature", "reboiler_pressure"}
    theirs = Uncertainties(**{s: getattr(SD, s) if s in instruments else 0.0 for s in SOURCES})
    alone = evaluate(READINGS, DESIGN, theirs).lean_mass_fraction.uncertainty
    by_hand = math.hypot(1.25 * alone, 0.04 * (1.0 - after.value))
    assert evaluate(READINGS, known, SD).lean_mass_fraction.uncertainty == pytest.approx(by_hand, rel=1e-12)
    assert after.uncertainty < before.uncertainty


def test_variances_of_the_margin_add_up_and_name_the_largest() -> None:
    results = evaluate(READINGS, DESIGN)
    total = math.fsum(results.margin_variances.values())

    assert math.sqrt(total) == pytest.approx(results.dew_point_margin.uncertainty, rel=1e-12)
    assert results.margin_variances[dominant_source(results)] == max(results.margin_variances.values())


@pytest.mark.parametrize(
    ("value", "probability"),
    # Tables of the normal distribution, e.g. Abramowitz and Stegun, table 26.1.
    [
        (0.0, 0.5),
        (1.0, 0.158655254),
        (-1.0, 0.841344746),
        (1.644853627, 0.05),
        (3.0, 0.001349898),
        (60.0, 0.0),
    ],
)
def test_normal_distribution(value: float, probability: float) -> None:
    assert probability_below_zero(value, 1.0) == pytest.approx(probability, abs=1e-7)
    assert array(probability_below_zero(np.array([value]), np.array([1.0])))[0] == pytest.approx(
        probability, abs=1e-7
    )


def test_combining_does_not_touch_what_it_combines() -> None:
    first, second = {"a": np.array([1.0, 2.0])}, {"a": np.array([3.0, 4.0])}
    total = combine((1.0, first), (1.0, second))

    np.testing.assert_array_equal(total["a"], [4.0, 6.0])
    np.testing.assert_array_equal(first["a"], [1.0, 2.0])
    np.testing.assert_allclose(standard_uncertainty(total), [4.0, 6.0])
