"""Every process upset moves the plant's signals as the table of fault signatures says."""

from __future__ import annotations

import re
from functools import cache, partial

import pytest

from daemon.fieldsim.instruments import true_value
from daemon.fieldsim.scenarios import Upset, UpsetKind, combine
from daemon.fieldsim.state import UNDISTURBED, PlantInputs, PlantState
from tests.support.published import rows
from tests.support.simulated_plant import DESIGN, mean, run

FAULTS = {
    UpsetKind.WORN_PUMP_SEALS: "worn pump seals (rich leaks to lean)",
    UpsetKind.PUMP_SLOWS: "low circulation (any cause)",
    UpsetKind.PUMP_STOPS: "low circulation (any cause)",
    UpsetKind.STRAINER_PLUGS: "plugged strainer or filter",
    UpsetKind.FOAMING: "foaming in contactor",
    UpsetKind.GLYCOL_LOSS: "glycol carry-over / mist loss",
    UpsetKind.BURNER_OUT: "burner out",
    UpsetKind.HOT_WET_GAS: "inlet gas hotter or pressure lower",
    UpsetKind.PRESSURE_DROP: "inlet gas hotter or pressure lower",
}
# Column of the table: signal, and the relative change below which it counts as unchanged.
SIGNALS = {
    "reboiler_T": ("reboiler_temperature", 0.002),
    "pump_strokes": ("stroke_rate", 0.02),
    "outlet_water_or_dewpoint": ("outlet_water_content", 0.03),
    "contactor_dP": ("contactor_differential_pressure", 0.03),
    "contactor_level": ("contactor_level", 0.06),
    "surge_level": ("surge_level", 0.05),
    "flash_gas_or_pump_gas": ("flash_pressure", 0.03),
    "burner_or_fuel": ("", 0.08),
    "still_top_T": ("still_top_temperature", 0.0015),
    "lean_T_to_contactor": ("lean_glycol_temperature", 0.002),
    "filter_dP": ("filter_differential_pressure", 0.1),
}
NOT_MODELLED = {
    (UpsetKind.FOAMING, "filter_dP"): "solids that cause foam",
    (UpsetKind.GLYCOL_LOSS, "outlet_water_or_dewpoint"): "an analyzer fouled by glycol mist",
    (UpsetKind.BURNER_OUT, "surge_level"): "the plant keeps its books: retained water raises the level first",
    (UpsetKind.PRESSURE_DROP, "lean_T_to_contactor"): "the row's other half: the gas is not hotter",
}
_WORDS = {"up": 1, "faster": 1, "down": -1, "falls": -1, "zero": -1, "slower": -1, "steady": 0, "normal": 0}


def allowed(cell: str) -> set[int]:
    """Read a cell: the directions it allows; an erratic signal may go anywhere."""
    said, *_ = re.split(r"[(;]", cell)
    words = set(re.findall(r"[a-z]+", said))
    directions = {_WORDS[word] for word in words & _WORDS.keys()}
    if "erratic" in words:
        directions |= {-1, 0, 1}
    if "if" in words:
        directions.add(0)
    assert directions, f"the cell {cell!r} says no direction"
    return directions


def _value(name: str, state: PlantState) -> float:
    return true_value(name, DESIGN, state)


@cache
def settled_values(inputs: PlantInputs) -> dict[str, float]:
    """Run two hours and average the second."""
    states = list(run(inputs, seconds=7200.0))
    states = states[len(states) // 2 :]
    values = {column: mean(states, partial(_value, name)) for column, (name, _) in SIGNALS.items() if name}
    values["burner_or_fuel"] = states[-1].ledger.heat_fired - states[0].ledger.heat_fired
    return values


def _cells() -> list[object]:
    table = {row["fault"]: row for row in rows("fault_signatures")}
    return [
        pytest.param(kind, column, table[fault][column], id=f"{kind.value}: {column}")
        for kind, fault in FAULTS.items()
        for column in SIGNALS
        if (kind, column) not in NOT_MODELLED
    ]


@pytest.mark.parametrize(("kind", "column", "cell"), _cells())
def test_an_upset_moves_signals_as_the_table_says(kind: UpsetKind, column: str, cell: str) -> None:
    upset = Upset(kind=kind, start=0.0, end=1.0)
    before = settled_values(UNDISTURBED)[column]
    after = settled_values(combine([upset], 0.5).inputs)[column]
    change, unchanged = after / before - 1.0, SIGNALS[column][1]
    direction = 0 if abs(change) <= unchanged else (1 if change > 0.0 else -1)
    assert direction in allowed(cell), f"{change:+.1%}, but the table says {cell!r}"


def test_the_table_is_read_as_it_is_meant() -> None:
    assert allowed("normal or faster") == {0, 1}
    assert allowed("down for stopped pump; up for worn pump") == {-1}
    assert allowed("falls steadily (rate is unit specific; learn it)") == {-1}
    assert allowed("erratic or down") == {-1, 0, 1}
    assert allowed("down if duty bound") == {-1, 0}


def test_a_burner_that_sticks_on_overheats_the_glycol_past_its_limit() -> None:
    """The table has no row for it: the heat balance says that more is fired than is lost."""
    hottest = max(s.reboiler_temperature for s in run(PlantInputs(burner_stuck_on=True), seconds=3600.0))
    assert hottest > 479.8  # 404 degF: degradation temperature, handbooks, from memory


def test_a_gas_rate_surge_wets_the_outlet_and_works_the_burner() -> None:
    inputs = combine([Upset(kind=UpsetKind.GAS_RATE_SURGE, start=0.0, end=1.0)], 0.5).inputs
    before, after = settled_values(UNDISTURBED), settled_values(inputs)
    assert after["outlet_water_or_dewpoint"] > 1.1 * before["outlet_water_or_dewpoint"]
    assert after["contactor_dP"] > 1.5 * before["contactor_dP"]
    assert after["burner_or_fuel"] > before["burner_or_fuel"]
