"""A whole unit: one set of readings and a year of them give the same; what is absent says why."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calc.errors import CalcError
from calc.needs import NEEDS
from calc.readings import ESTIMATES
from calc.unit import Design, Readings, Results, evaluate, reason
from config.quantities import RESULT_KINDS
from tests.support.narrow import array

NAN = math.nan
READINGS = Readings(
    gas_temperature=308.0, gas_pressure=5.0e6, gas_rate=9.0, reboiler_temperature=474.0, stroke_rate=2.6
)
DESIGN = Design(
    specific_gravity=0.65,
    theoretical_stages=2.0,
    trays=8,
    pump_displacement=1.8e-4,
    barometric_pressure=95e3,
    limit_water_content=1.12e-4,
)
DESIGNS = {
    "content at contactor pressure": DESIGN,
    "content at its own pressure": dataclasses.replace(DESIGN, limit_pressure=6.9e6),
    "dew point": dataclasses.replace(
        DESIGN, limit_water_content=None, limit_dew_point=265.15, limit_pressure=7e6
    ),
    "stripping gas": dataclasses.replace(DESIGN, stripping_gas_ratio=20.0),
    "stripping column": dataclasses.replace(DESIGN, stripping_gas_ratio=20.0, stripping_stages=1.5),
    "biased purity": dataclasses.replace(DESIGN, lean_water_factor=1.2, lean_water_factor_uncertainty=0.1),
}
# Usable range of each reading and a value out of it; a reading is absent now and then.
DRAWN: dict[str, tuple[float, float, float]] = {
    "gas_temperature": (280.0, 350.0, 250.0),
    "gas_pressure": (1e6, 14e6, -1.0),
    "gas_rate": (0.0, 40.0, 0.0),
    "reboiler_temperature": (380.0, 489.0, 600.0),
    "stroke_rate": (0.0, 5.0, 0.0),
    "lean_glycol_temperature": (280.0, 360.0, math.inf),
    "lean_glycol_rate": (0.0, 1e-2, 0.0),
    "inlet_water_content": (1e-6, 5e-3, 1.0),
    "outlet_water_content": (1e-6, 1e-3, -1.0),
    "reboiler_pressure": (70e3, 150e3, 1e6),
    "stripping_gas_rate": (0.0, 0.05, 0.0),
    "lean_mass_fraction": (0.9, 0.9999, 1.2),
}


def _columns(rows: int, seed: int) -> dict[str, NDArray[np.float64]]:
    generator = np.random.default_rng(seed)
    columns = {}
    for name, (low, high, wrong) in DRAWN.items():
        dice = generator.random(rows)
        column = generator.uniform(low, high, rows)
        columns[name] = np.where(dice < 0.75, column, np.where(dice < 0.92, NAN, wrong))
    return columns


def _same(first: float, second: float) -> bool:
    return (math.isnan(first) and math.isnan(second)) or math.isclose(
        first, second, rel_tol=1e-9, abs_tol=1e-15
    )


def test_estimates_bear_the_names_of_the_daemon() -> None:
    own = {"water_content_margin", "inferred_stages", "lean_approach_temperature", "reboiler_duty"}

    assert set(ESTIMATES) - own <= set(RESULT_KINDS)
    assert set(NEEDS) == set(ESTIMATES)


@pytest.mark.parametrize("design", DESIGNS.values(), ids=DESIGNS)
def test_arrays_give_the_numbers_of_single_sets(design: Design) -> None:
    columns = _columns(rows := 150, seed=1)
    together = evaluate(Readings(**columns), design)

    for index in range(rows):
        alone = evaluate(Readings(**{name: float(column[index]) for name, column in columns.items()}), design)
        for name in ESTIMATES:
            for part in ("value", "uncertainty"):
                single = getattr(getattr(alone, name), part)
                in_array = getattr(getattr(together, name), part)[index]
                assert isinstance(single, float)
                assert _same(single, float(in_array)), (name, part, single, in_array)
            assert reason(alone, name) == reason(together, name, index)
        for bits in ("missing", "out_of_range", "extrapolated"):
            assert getattr(alone, bits) == getattr(together, bits)[index]


@pytest.mark.parametrize("design", DESIGNS.values(), ids=DESIGNS)
def test_what_is_absent_says_why_and_what_is_there_is_finite(design: Design) -> None:
    results = evaluate(Readings(**_columns(rows := 150, seed=2)), design)

    for name in ESTIMATES:
        estimate = getattr(results, name)
        for row in range(rows):
            why = reason(results, name, row)
            if math.isnan(estimate.value[row]):
                assert why
                assert math.isnan(estimate.uncertainty[row])
            else:
                assert math.isfinite(estimate.value[row])
                assert not why or why.startswith("extrapolated"), why


@pytest.mark.parametrize("design", DESIGNS.values(), ids=DESIGNS)
def test_no_outlet_is_drier_than_its_equilibrium(design: Design) -> None:
    columns = _columns(500, seed=3)
    del columns["inlet_water_content"]  # saturated; gas drier than the glycol would pick up water from it
    results = evaluate(Readings(**columns), design)
    above = array(results.outlet_dew_point.value - results.equilibrium_dew_point.value)
    above = above[~np.isnan(above)]

    assert len(above) > 100
    assert above.min() > -1e-9


def test_scalars_broadcast_against_arrays_and_shapes_stay() -> None:
    readings = dataclasses.replace(READINGS, gas_rate=np.array([[5.0, 9.0, 12.0], [1.0, NAN, 2.0]]))
    results = evaluate(readings, DESIGN)

    assert array(results.dew_point_margin.value).shape == (2, 3)
    assert np.shape(results.missing) == (2, 3)
    assert np.isnan(results.dew_point_margin.value).tolist() == [[False] * 3, [False, True, False]]
    assert reason(results, "water_load", 4) == "needs gas_rate"


def test_more_rows_than_a_block() -> None:
    rate = np.linspace(1.0, 12.0, 9001)
    results = evaluate(dataclasses.replace(READINGS, gas_rate=rate), DESIGN)

    assert np.all(np.diff(results.outlet_water_content.value) > 0.0)


def _with(**changes: float) -> Results:
    return evaluate(dataclasses.replace(READINGS, **changes), DESIGN)


@pytest.mark.parametrize(
    ("reading", "low", "high", "result", "rises"),
    [
        ("stroke_rate", 1.0, 3.0, "circulation_rate", True),
        ("stroke_rate", 1.0, 3.0, "outlet_water_content", False),
        ("gas_temperature", 300.0, 315.0, "saturated_water_content", True),
        ("gas_temperature", 300.0, 315.0, "equilibrium_dew_point", True),
        ("gas_temperature", 300.0, 315.0, "required_circulation_rate", True),
        ("gas_pressure", 4e6, 7e6, "saturated_water_content", False),
        ("gas_rate", 5.0, 9.0, "outlet_water_content", True),
        ("gas_rate", 5.0, 9.0, "probability_over_limit", True),
        ("reboiler_temperature", 460.0, 476.0, "lean_mass_fraction", True),
        ("reboiler_temperature", 460.0, 476.0, "dew_point_margin", True),
        ("reboiler_temperature", 460.0, 476.0, "required_stroke_rate", False),
        ("reboiler_pressure", 80e3, 105e3, "lean_mass_fraction", False),
        ("lean_mass_fraction", 0.985, 0.995, "equilibrium_dew_point", False),
    ],
)
def test_results_move_the_way_an_operator_expects(
    reading: str, low: float, high: float, result: str, rises: bool
) -> None:
    swept = dataclasses.replace(READINGS, **{reading: np.linspace(low, high, 500)})
    steps = np.diff(getattr(evaluate(swept, DESIGN), result).value)
    steps = steps[~np.isnan(steps)]

    assert len(steps) > 100
    assert np.all(steps > 0.0) if rises else np.all(steps < 0.0)


def test_the_needed_rate_just_meets_the_limit() -> None:
    needed = float(_with().required_stroke_rate.value)
    there = _with(stroke_rate=needed)

    assert there.dew_point_margin.value == pytest.approx(0.0, abs=1e-6)
    assert there.outlet_water_content.value == pytest.approx(1.12e-4, rel=1e-9)
    assert there.probability_over_limit.value == pytest.approx(0.5, abs=1e-6)


def test_dew_point_limit_and_its_content_are_the_same_limit() -> None:
    by_dew_point = evaluate(READINGS, DESIGNS["dew point"])
    content = float(by_dew_point.outlet_water_content.value + by_dew_point.water_content_margin.value)
    same = dataclasses.replace(DESIGNS["dew point"], limit_dew_point=None, limit_water_content=content)
    by_content = evaluate(READINGS, same)

    assert by_content.limit_dew_point.value == pytest.approx(265.15, abs=1e-9)
    assert by_content.dew_point_margin.value == pytest.approx(by_dew_point.dew_point_margin.value, abs=1e-9)
    assert by_content.required_stroke_rate.value == pytest.approx(by_dew_point.required_stroke_rate.value)


def test_gas_that_is_dry_enough_needs_no_glycol() -> None:
    results = _with(inlet_water_content=1.0e-4)

    assert results.required_circulation_rate.value == 0.0
    assert results.required_stroke_rate.uncertainty == 0.0


def test_without_strokes_the_gas_leaves_as_it_came() -> None:
    results = _with(stroke_rate=0.0)

    assert results.outlet_water_content.value == pytest.approx(results.inlet_water_content.value, rel=1e-12)
    assert results.probability_over_limit.value > 0.999
    assert reason(results, "circulation_ratio") == "no glycol flows"


def test_a_meter_stands_in_for_a_dead_stroke_counter() -> None:
    results = _with(stroke_rate=NAN, lean_glycol_rate=4.4e-4)

    assert results.circulation_rate.value == 4.4e-4
    assert reason(results, "circulation_rate") == ""
    assert reason(_with(stroke_rate=NAN), "circulation_rate") == "needs lean_glycol_rate or stroke_rate"


def test_a_cold_reboiler_is_no_zero_purity() -> None:
    results = _with(reboiler_temperature=300.0)

    assert math.isnan(results.lean_mass_fraction.value)
    assert reason(results, "dew_point_margin") == "reboiler_temperature is outside 373.15 to 490 K"
    boiling_too_little = evaluate(
        dataclasses.replace(READINGS, reboiler_temperature=374.0, reboiler_pressure=150e3), DESIGN
    )
    assert reason(boiling_too_little, "dew_point_margin").startswith("the glycol does not boil")


def test_a_limit_stated_at_contactor_pressure_needs_it() -> None:
    assert reason(_with(gas_pressure=NAN), "limit_dew_point") == (
        "it is stated at contactor pressure, and that is not known"
    )


def test_extrapolation_is_said() -> None:
    assert reason(_with(reboiler_temperature=430.0), "lean_mass_fraction") == (
        "extrapolated: reboiler_temperature is outside 440 to 480 K"
    )


def test_an_outlet_drier_than_the_glycol_allows_gives_no_stages() -> None:
    results = _with(outlet_water_content=1e-6)

    assert math.isnan(results.inferred_stages.value)
    assert "drier than this lean glycol allows" in reason(results, "inferred_tray_efficiency")


def test_a_limit_beyond_this_glycol_names_purity_not_rate() -> None:
    strict = dataclasses.replace(DESIGN, limit_water_content=1e-5)

    assert "not pure enough" in reason(evaluate(READINGS, strict), "required_stroke_rate")


@pytest.mark.parametrize(
    "change",
    [
        {"theoretical_stages": 0.0},
        {"theoretical_stages": NAN},
        {"pump_displacement": -1e-4},
        {"barometric_pressure": 14.7},
        {"volumetric_efficiency": 0.0},
        {"limit_water_content": None},
        {"limit_dew_point": 265.0},
    ],
)
def test_a_design_that_is_none_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(CalcError, match=r"design: .*(" + "|".join(change) + ")"):
        evaluate(READINGS, dataclasses.replace(DESIGN, **change))


def test_two_hundred_thousand_rows_need_no_more_than_their_results() -> None:
    """Nothing is kept but inputs, estimates and bits: no block leaks into the next."""
    alone = evaluate(dataclasses.replace(READINGS, gas_rate=np.full(3, 9.0)), DESIGN)
    mixed = evaluate(
        dataclasses.replace(READINGS, gas_rate=np.concatenate([np.full(5000, NAN), np.full(3, 9.0)])), DESIGN
    )

    np.testing.assert_array_equal(array(mixed.dew_point_margin.value)[-3:], alone.dew_point_margin.value)
    assert np.isnan(array(mixed.dew_point_margin.value)[:-3]).all()
