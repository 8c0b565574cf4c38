"""Fault signatures against their source, and the ranking of causes with its evidence."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import pytest

from daemon.monitor.alarms.diagnosis import diagnose, judge_move
from daemon.monitor.alarms.signatures import REFERENCE, SIGNATURES, Move, Observable, Signature

TABLE = Path(__file__).parents[2] / "data" / "fault_signatures.csv"
COLUMNS = dict(
    zip(
        list(Observable)[:11],
        (
            "reboiler_T",
            "pump_strokes",
            "outlet_water_or_dewpoint",
            "contactor_dP",
            "contactor_level",
            "surge_level",
            "flash_gas_or_pump_gas",
            "burner_or_fuel",
            "still_top_T",
            "lean_T_to_contactor",
            "filter_dP",
        ),
        strict=True,
    )
)
# By which words of the source a move is justified.
WORDS = {
    Move.UP: r"\bup\b|faster|over-shoots|hot\b",
    Move.DOWN: r"\bdown\b|slower|slow to reach|zero|falls",
    Move.STEADY: r"normal|steady|little change|less\b|slightly|\bif\b|or up|later|after|often|slow to reach",
    Move.ERRATIC: r"erratic|slugging",
}

# The source's pressure drop is as measured; ours has taken off what the gas flow makes of it.
BY_GAS_FLOW = {("inlet gas hotter or pressure lower", Observable.TRAY_DROP)}


def test_every_signature_is_justified_by_the_words_of_its_source() -> None:
    with TABLE.open(encoding="utf-8") as file:
        rows = {row["fault"]: row for row in csv.DictReader(file)}
    assert [signature.fault for signature in REFERENCE] == list(rows)
    for signature in REFERENCE:
        for observable, moves in signature.expected.items():
            if observable not in COLUMNS or (signature.fault, observable) in BY_GAS_FLOW:
                continue
            cell = rows[signature.fault][COLUMNS[observable]]
            for move in moves:
                assert re.search(WORDS[move], cell), (signature.fault, observable, move, cell)
            if re.match(r"(up|down)\b", cell):
                assert Move(cell.split()[0].strip(",;")) in moves


@pytest.mark.parametrize("fault", SIGNATURES, ids=lambda fault: fault.fault)
def test_a_fault_that_shows_wholly_comes_first(fault: Signature) -> None:
    seen = {
        observable: next(move for move in (Move.UP, Move.DOWN, Move.ERRATIC, Move.STEADY) if move in moves)
        for observable, moves in fault.expected.items()
    }
    first, *others = diagnose(seen)
    assert first.fault == fault.fault
    assert not first.evidence_against
    assert not first.unknown
    assert all(other.share <= first.share for other in others)


def test_without_evidence_there_is_no_verdict() -> None:
    assert diagnose({}) == ()
    assert diagnose(dict.fromkeys(Observable, Move.STEADY)) == ()


def test_a_burner_that_is_out_with_its_evidence() -> None:
    seen = {
        Observable.REBOILER: Move.DOWN,
        Observable.STROKES: Move.STEADY,
        Observable.BURNER: Move.DOWN,
        Observable.STILL_TOP: Move.DOWN,
        Observable.SURGE_LEVEL: Move.STEADY,
    }
    first = diagnose(seen)[0]
    assert first.fault == "burner out"
    assert first.evidence_for == (
        "reboiler temperature down",
        "burner on-time down",
        "still top temperature down",
    )
    assert first.evidence_against == ()
    assert first.unknown == ("lean glycol temperature into the contactor",)
    assert first.check.startswith("Look at the flame signal")


def test_evidence_against_costs_rank() -> None:
    seen = {
        Observable.FILTER_DROP: Move.UP,
        Observable.STROKES: Move.DOWN,
        Observable.TRAY_DROP: Move.DOWN,
    }
    before = {item.fault: item.share for item in diagnose(seen)}
    later = {item.fault: item for item in diagnose(seen | {Observable.FLASH_GAS: Move.STEADY})}
    name = "plugged strainer or filter"
    assert later[name].evidence_against == ("flash gas as usual, expected down",)
    after = {fault: item.share for fault, item in later.items()}
    assert max(before, key=lambda fault: before[fault]) == name
    assert after.get(name, 0.0) < before[name]


def test_one_odd_value_is_weak_evidence() -> None:
    seen = dict.fromkeys(Observable, Move.STEADY) | {Observable.FILTER_DROP: Move.UP}
    assert sum(item.share for item in diagnose(seen)) < 0.5


def test_a_candidate_without_a_move_of_its_own_is_not_named() -> None:
    for seen in ({Observable.REBOILER: Move.UP}, {Observable.FLASH_GAS: Move.ERRATIC}):
        assert all(item.evidence_for for item in diagnose(seen))


@pytest.mark.parametrize(
    ("shift", "scatter", "move"),
    [
        (0.0, None, Move.STEADY),
        (2.9, 1.0, Move.STEADY),
        (3.0, 1.0, Move.UP),
        (-3.0, 2.9, Move.DOWN),
        (0.0, 3.0, Move.ERRATIC),
        (None, 1.0, None),
        (None, 5.0, Move.ERRATIC),
        (math.nan, None, None),
    ],
)
def test_what_counts_as_moving(shift: float | None, scatter: float | None, move: Move | None) -> None:
    assert judge_move(shift, scatter) is move


def test_what_has_not_moved_yet_hardly_counts_against_a_fault() -> None:
    early = dict.fromkeys(list(Observable)[:11], Move.STEADY)
    seen = early | {Observable.STROKES: Move.DOWN, Observable.OUTLET: Move.UP}
    assert diagnose(seen)[0].fault == "low circulation (any cause)"
    assert diagnose(seen | {Observable.FILTER_DROP: Move.UP})[0].fault == "plugged strainer or filter"


def test_what_comes_from_outside_is_told_from_a_fault_inside() -> None:
    outside = dict.fromkeys(
        (Observable.GAS_TEMPERATURE, Observable.GAS_PRESSURE, Observable.GAS_RATE), Move.STEADY
    )
    seen = dict.fromkeys(list(Observable)[:11], Move.STEADY) | {
        Observable.OUTLET: Move.UP,
        Observable.LEAN_TEMPERATURE: Move.UP,
    }
    assert diagnose(seen | outside)[0].fault == "hot lean glycol"
    hotter = seen | outside | {Observable.GAS_TEMPERATURE: Move.UP}
    assert diagnose(hotter)[0].fault == "inlet gas hotter or pressure lower"


def test_a_burner_that_stays_on_is_a_fault_of_its_own() -> None:
    seen = {Observable.REBOILER: Move.UP, Observable.BURNER: Move.UP, Observable.STILL_TOP: Move.UP}
    first = diagnose(seen)[0]
    assert first.fault == "burner or fuel valve held on"
    assert first.evidence_for == ("reboiler temperature up", "burner on-time up", "still top temperature up")
