"""Process results: what each rests on, what bad and uncertain inputs do to it, what an analyzer teaches."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any

import pytest

from calc.needs import rests_on
from calc.readings import ESTIMATES, Design, Readings
from calc.unit import evaluate
from calc.water import dew_point_at_pressure, saturated_water_content, water_dew_point
from config.quantities import RESULT_KINDS
from daemon.model import Quality, Reading, Result, Status
from daemon.monitor.outlet import FADING_TIME, LEARNING_TIME, OutletEstimate, measured_outlet
from daemon.monitor.process import ProcessCalculation
from daemon.monitor.specs import signal_specs
from tests.daemon.monitor.plant import NORMAL, START, bad, good, make_site

STROKES = Result(0.2, 0.002, Status.GOOD)
ANALYZER = {"outlet_water_content": 'type = "float32", unit = "lb/MMscf", range = [0, 20]'}
EXTRAS = {
    "still_pressure": 'type = "float32", unit = "psig", range = [0, 10]',
    "stripping_gas_rate": 'type = "float32", unit = "scf/h", range = [0, 2000]',
    "inlet_water_content": 'type = "float32", unit = "lb/MMscf", range = [0, 200]',
    "lean_glycol_temperature": 'type = "float32", unit = "degF", range = [0, 250]',
    "lean_glycol_rate": 'type = "float32", unit = "gal/h", range = [0, 200]',
}
EXTRA_VALUES = {
    "still_pressure": 102000.0,
    "stripping_gas_rate": 0.002,
    "inlet_water_content": 1.0e-3,
    "lean_glycol_temperature": 314.0,
    "lean_glycol_rate": 3.6e-5,
}


class Unit:
    """The calculation of one unit and the readings it is given."""

    def __init__(self, signals: Mapping[str, str] | None = None, **site: str) -> None:
        made, unit = make_site(signals, **site)  # type: ignore[arg-type]  # only text keywords are used
        self.process = ProcessCalculation(made, unit, signal_specs(made, unit))
        self.readings = {name: good(NORMAL[name], 0.0) for name in NORMAL}
        for name in signals or {}:
            self.readings[name] = good(EXTRA_VALUES.get(name, 5e-5), 0.0)

    def results(
        self, strokes: Result = STROKES, now: float = 0.0, **readings: float | Reading
    ) -> dict[str, Result]:
        given = {k: v if isinstance(v, Reading) else good(v, 0.0) for k, v in readings.items()}
        return self.process.results(
            self.readings | given, strokes, now, time=START + now, drying=True, circulating=True
        )


def one(signal: str, reading: Reading) -> dict[str, Any]:
    """One reading as a keyword."""
    return {signal: reading}


def uncertain(value: float) -> Reading:
    return good(value, 0.0).degraded(Status.UNCERTAIN_LAST_USABLE_VALUE, "no update for 4 s")


@pytest.mark.parametrize("inlet_measured", [False, True])
@pytest.mark.parametrize(
    ("ratio", "stripping"),
    [(0.0, math.nan), (20.0, math.nan), (0.0, 0.002)],
    ids=["none", "ratio", "metered"],
)
def test_the_table_of_needs_is_what_the_calculation_does(
    ratio: float, stripping: float, *, inlet_measured: bool
) -> None:
    """Take away or move one input after the other: what changes rests on it, and nothing else does."""
    design = Design(
        0.65, 2.0, 1.8e-4, 101325.0, limit_water_content=1.1e-4, trays=8, stripping_gas_ratio=ratio
    )
    readings = Readings(
        gas_temperature=310.93,
        gas_pressure=5.6e6,
        gas_rate=1.64,
        reboiler_temperature=469.0,
        stroke_rate=0.2,
        lean_glycol_temperature=314.0,
        inlet_water_content=1.0e-3 if inlet_measured else math.nan,
        outlet_water_content=8e-5,
        reboiler_pressure=101900.0,
        stripping_gas_rate=stripping,
    )
    full = evaluate(readings, design)
    stripped = ratio > 0.0 or not math.isnan(stripping)
    table = rests_on(stripped=stripped, inlet_measured=inlet_measured)
    assert list(table) == list(ESTIMATES)
    for field in dataclasses.fields(readings):
        value = getattr(readings, field.name)
        if math.isnan(value):
            continue
        without = evaluate(dataclasses.replace(readings, **{field.name: math.nan}), design)
        moved = evaluate(dataclasses.replace(readings, **{field.name: value * 1.001}), design)
        for name in ESTIMATES:
            before = float(getattr(full, name).value)
            assert not math.isnan(before), name
            changes = math.isnan(getattr(without, name).value) or not math.isclose(
                getattr(moved, name).value, before, rel_tol=1e-12
            )
            claimed = field.name in table[name]
            # With stripping gas the table may claim more than one reading shows, never less.
            assert claimed is changes or (claimed and stripped), f"{name} on {field.name}"


GAS_ONLY = {"compressibility", "saturated_water_content", "inlet_water_content"}
CONSTANT = {"limit_dew_point", "hydrate_temperature"}
LEAN = {"lean_mass_fraction"}


@pytest.mark.parametrize(
    ("signal", "survivors"),
    [
        ("contactor_temperature", {"circulation_rate"} | CONSTANT | LEAN),
        ("contactor_pressure", {"circulation_rate"} | LEAN),
        ("gas_rate", {"circulation_rate", "equilibrium_dew_point"} | GAS_ONLY | CONSTANT | LEAN),
        ("reboiler_temperature", {"circulation_rate", "water_load"} | GAS_ONLY | CONSTANT),
        (
            "stroke_rate",
            {"water_load", "equilibrium_dew_point", "required_circulation_rate", "required_stroke_rate"}
            | GAS_ONLY
            | CONSTANT
            | LEAN,
        ),
    ],
)
def test_quality_propagation(signal: str, survivors: set[str]) -> None:
    """What does not rest on a bad input stays good, the rest is absent with the cause; uncertain likewise."""
    unit = Unit()
    everything = unit.results()
    assert all(result.status is Status.GOOD for result in everything.values())
    if signal == "stroke_rate":
        absent = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, "no usable stroke signal")
        doubtful = Result(0.2, 0.002, Status.UNCERTAIN_SUB_NORMAL, "stroke_count is bad")
        worst, doubted = unit.results(absent), unit.results(doubtful)
    else:
        worst = unit.results(**one(signal, bad(0.0)))
        doubted = unit.results(**one(signal, uncertain(NORMAL[signal])))
    for name, result in everything.items():
        if name in survivors:
            assert worst[name].value == doubted[name].value == result.value, name
            assert worst[name].status is doubted[name].status is Status.GOOD, name
            continue
        assert worst[name].value is None, name
        assert worst[name].quality is Quality.BAD
        assert worst[name].reason.startswith(f"{signal} is bad: "), worst[name].reason
        assert doubted[name].value == result.value
        assert doubted[name].quality is Quality.UNCERTAIN
        assert doubted[name].reason.startswith(f"{signal}: "), doubted[name].reason


@pytest.mark.parametrize(
    ("signal", "reason", "untouched"),
    [
        (
            "still_pressure",
            "still_pressure is bad (exception 2): barometric pressure plus still back-pressure taken",
            "water_load",
        ),
        (
            "stripping_gas_rate",
            "stripping_gas_rate is bad (exception 2): the design's stripping gas taken",
            "water_load",
        ),
        (
            "inlet_water_content",
            "inlet_water_content is bad (exception 2): gas taken as saturated",
            "circulation_rate",
        ),
        (
            "lean_glycol_rate",
            "lean_glycol_rate is bad (exception 2): taken from the strokes",
            "water_load",
        ),
    ],
)
def test_a_substitute_makes_uncertain_not_absent(signal: str, reason: str, untouched: str) -> None:
    unit = Unit(EXTRAS)
    results = unit.results(**one(signal, bad(0.0)))
    margin = results["dew_point_margin"]
    assert margin.value is not None
    assert (margin.status, margin.reason) == (Status.UNCERTAIN_SUBSTITUTE_VALUE, reason)
    assert results[untouched].status is Status.GOOD


def test_what_a_site_never_measured_costs_no_quality_and_no_result_is_promised() -> None:
    results = Unit().results()
    assert not {"lean_approach_temperature", "inferred_stages", "inferred_tray_efficiency"} & set(results)
    assert {"lean_approach_temperature"} <= set(Unit(EXTRAS).results())
    assert set(results) <= set(RESULT_KINDS)


def test_an_input_out_of_what_the_calculation_can_use_says_so() -> None:
    results = Unit().results(reboiler_temperature=300.0)
    assert results["lean_mass_fraction"].value is None
    # 373.15 to 490 K, in the site's units
    assert results["lean_mass_fraction"].reason == "reboiler_temperature is outside 212.0 to 422.3 °F"
    assert results["saturated_water_content"].status is Status.GOOD


def test_a_stripping_column_makes_the_glycol_drier_than_gas_into_the_reboiler() -> None:
    """A packed column: 99.9 wt% and more, a sparger some 99.3 wt% (common practice, no source)."""
    site, unit = make_site()
    purities = []
    for stages in (0.0, 2.0):
        reboiler = unit.reboiler.model_copy(update={"stripping_gas_ratio": 60.0, "stripping_stages": stages})
        stripped = unit.model_copy(update={"reboiler": reboiler})
        process = ProcessCalculation(site, stripped, signal_specs(site, stripped))
        readings = {name: good(value, 0.0) for name, value in NORMAL.items()}
        found = process.results(readings, STROKES, 0.0, time=START, drying=True, circulating=True)
        purities.append(found["lean_mass_fraction"].value)
    sparged, stripped_in_column = purities
    assert sparged is not None
    assert sparged < 0.995
    assert stripped_in_column is not None
    assert stripped_in_column > 0.999


def test_a_stopped_pump_dries_nothing() -> None:
    """Without glycol the outlet is as wet as the inlet: the margin is known, and on the wrong side."""
    results = Unit().results(Result(0.0, 0.0, Status.GOOD))
    margin = results["dew_point_margin"]
    assert margin.value is not None
    assert margin.value < -20.0
    assert results["outlet_water_content"].value == pytest.approx(results["inlet_water_content"].value)


@pytest.mark.parametrize("gas_rate", [0.0, -0.004])
@pytest.mark.parametrize("strokes", [0.0, 0.2])
def test_a_shut_in_unit_is_no_error(gas_rate: float, strokes: float) -> None:
    unit = Unit(EXTRAS)
    results = unit.results(
        Result(strokes, 0.0, Status.GOOD), gas_rate=gas_rate, stripping_gas_rate=0.0, lean_glycol_rate=0.0
    )
    assert results["saturated_water_content"].status is Status.GOOD
    assert results["dew_point_margin"].reason == "no gas flows"
    for result in results.values():
        assert result.value is None or math.isfinite(result.value)
        assert (result.value is None) is (result.quality is Quality.BAD)
        assert result.reason or result.quality is Quality.GOOD


def test_the_same_readings_are_calculated_once(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []

    def counted(*arguments: object) -> object:
        calls.append(arguments)
        return evaluate(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("daemon.monitor.process.calculation.evaluate", counted)
    unit = Unit(EXTRAS)
    first, again = unit.results(), unit.results()
    assert first == again
    assert len(calls) == 1
    assert unit.results(gas_rate=1.7) != first
    assert unit.results() == first
    assert len(calls) == 3


def test_the_stroke_rates_uncertainty_is_in_the_circulation_rate() -> None:
    unit = Unit()
    sure, unsure = (unit.results(Result(0.2, u, Status.GOOD))["circulation_rate"] for u in (0.0, 0.02))
    assert sure.value is not None
    assert sure.uncertainty == pytest.approx(0.05 * sure.value)
    assert unsure.uncertainty == pytest.approx(math.hypot(0.05, 0.1) * sure.value)


class TestAnalyzer:
    def test_it_all_but_decides(self) -> None:
        unit = Unit(ANALYZER)
        results = unit.results(outlet_water_content=6.0e-5)
        expected = float(water_dew_point(6.0e-5, NORMAL["contactor_pressure"]))
        calculated, outlet = results["calculated_dew_point"], results["outlet_dew_point"]
        assert results["measured_dew_point"].value == pytest.approx(expected)
        assert outlet.value is not None
        assert calculated.value is not None
        assert abs(outlet.value - expected) < 0.1 * abs(calculated.value - expected)
        assert calculated.uncertainty is not None
        assert outlet.uncertainty is not None
        assert outlet.uncertainty < 0.3 * calculated.uncertainty
        limit = results["limit_dew_point"].value
        assert limit is not None
        assert results["dew_point_margin"].value == pytest.approx(limit - outlet.value)
        assert results["outlet_water_content"].value == pytest.approx(6.0e-5, rel=0.05)

    def test_a_dew_point_analyzer_is_moved_to_the_limits_pressure(self) -> None:
        keys = {"outlet_dew_point": 'type = "float32", unit = "degF", range = [-100, 100]'}
        unit = Unit(keys, limit='dew_point = "-8 degC"\npressure = "70 bara"')
        results = unit.results(outlet_dew_point=258.15)
        expected = float(dew_point_at_pressure(258.15, NORMAL["contactor_pressure"], 7e6))
        assert results["measured_dew_point"].value == pytest.approx(expected)
        assert results["limit_dew_point"].value == pytest.approx(265.15)

    def test_a_bad_gas_rate_costs_the_calculation_and_not_the_margin(self) -> None:
        results = Unit(ANALYZER).results(gas_rate=bad(0.0))
        assert results["calculated_dew_point"].value is None
        assert results["dew_point_margin"].status is Status.GOOD

    def test_a_bad_analyzer_leaves_what_it_taught(self) -> None:
        """Learn for five time constants that the plant is wetter than calculated, then lose the analyzer."""
        unit = Unit(ANALYZER)
        calculated = Unit().results()["calculated_dew_point"].value
        assert calculated is not None
        taught = calculated + 5.0
        content = float(saturated_water_content(taught, NORMAL["contactor_pressure"]))
        for now in range(0, 5 * int(LEARNING_TIME), 60):
            results = unit.results(now=float(now), outlet_water_content=content)
        assert results["dew_point_bias"].value == pytest.approx(5.0, abs=0.05)
        lost = unit.results(now=float(now), outlet_water_content=bad(0.0))
        assert lost["outlet_dew_point"].value == pytest.approx(taught, abs=0.05)
        assert lost["outlet_dew_point"].status is Status.UNCERTAIN_SUBSTITUTE_VALUE
        assert (
            lost["dew_point_margin"].reason == "outlet_water_content is bad: exception 2; calculated instead"
        )
        assert "measured_dew_point" not in lost
        later = unit.results(now=now + FADING_TIME, outlet_water_content=bad(0.0))["outlet_dew_point"]
        assert later.value == pytest.approx(calculated + 5.0 * math.exp(-1.0), abs=0.05)
        sure, unsure = lost["outlet_dew_point"].uncertainty, later.uncertainty
        assert sure is not None
        assert unsure is not None
        assert sure < unsure

    def test_two_estimates_that_exclude_each_other_are_doubtful(self) -> None:
        results = Unit(ANALYZER).results(outlet_water_content=9.0e-6)
        assert results["outlet_dew_point"].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
        assert "analyzer and calculation differ by" in results["outlet_dew_point"].reason

    def test_weights_by_hand(self) -> None:
        """10 +- 2 and 4 +- 1: weights 1/4 and 1 give 5.2 +- 2/sqrt(5)."""
        readings = {"outlet_dew_point": good(274.0, 0.0)}
        measured = measured_outlet(readings, {}, 5.6e6, 5.6e6)
        assert measured is not None
        assert not isinstance(measured, str)
        found = OutletEstimate().combine(Result(280.0, 2.0, Status.GOOD), measured, 0.0, learn=False)
        assert found.value == pytest.approx(274.0 + 1.2)
        assert found.uncertainty == pytest.approx(2.0 / math.sqrt(5.0))

    def test_nothing_is_learned_while_the_unit_does_not_dry(self) -> None:
        unit = Unit(ANALYZER)
        results = unit.process.results(
            unit.readings, STROKES, 0.0, time=START, drying=False, circulating=False
        )
        assert "dew_point_bias" not in results

    def test_an_impossible_analyzer_value_is_no_crash(self) -> None:
        results = Unit(ANALYZER).results(outlet_water_content=0.0)
        assert results["dew_point_margin"].status is Status.UNCERTAIN_SUBSTITUTE_VALUE
        assert "outlet_water_content cannot be used" in results["dew_point_margin"].reason

    def test_state_survives_json(self) -> None:
        first, second = Unit(ANALYZER), Unit(ANALYZER)
        for now in range(0, 600, 60):
            content = 6.0e-5 + 1e-8 * now
            one, two = (u.results(now=float(now), outlet_water_content=content) for u in (first, second))
            assert one == two
            saved = json.loads(json.dumps(second.process.save(), allow_nan=False))
            second = Unit(ANALYZER)
            second.process.restore(saved)
