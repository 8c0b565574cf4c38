"""Which reason is told where several suppress, what is no reason to suppress, and for how long at most."""

from __future__ import annotations

import pytest

from daemon.model import OperatingState, Result, Status
from daemon.monitor.alarms.suppression import SavedRule, StateRule
from tests.daemon.alarms.alarm_kit import Bench, alarm, bad, predicted_alarm, words


def test_the_operating_state_is_told_before_the_bad_input() -> None:
    """An alarm that is not in force is away whatever its input does; the input has an alarm of its own."""
    bench = Bench(alarm(states=frozenset({"drying"}), quality_policy="suppress"))
    bench.state = OperatingState.SHUT_IN
    (step,) = bench.scan(1, bad())
    assert step.reason == "not in force while the unit is shut in"
    assert bench.shown().suppression == step.reason
    bench.state = OperatingState.DRYING
    assert bench.scan(2, bad()) == ()
    assert bench.shown().suppression == "level is bad: open circuit"


def test_words_beside_a_good_value_do_not_suppress() -> None:
    """A prediction says in words how early the limit may come; that is no trouble of the input."""
    bench = Bench(predicted_alarm(quality_policy="suppress"))
    bench.results = {"time_left": Result(600.0, 0.0, Status.GOOD)}
    assert words(bench.scan(1)) == [("level_high", "condition true", "UNACK")]


def test_a_cause_that_is_true_but_out_of_service_explains_nothing() -> None:
    bench = Bench(alarm(), alarm(id="effect", input="effect", suppressed_by=("level_high",)))
    bench.scan(1, 90.0, effect=70.0)
    assert bench.alarm_state("effect").value == "DSUPR"
    bench.shelve(2)
    assert words(bench.scan(3, 90.0, effect=90.0)) == [
        ("effect", "suppression by design ended", "NORM"),
        ("effect", "condition true", "UNACK"),
    ]


@pytest.mark.parametrize(
    ("state", "passing"),
    [
        (OperatingState.SHUT_IN, False),
        (OperatingState.COLD, False),
        (OperatingState.HEATING, True),
        (OperatingState.READY, True),
        (OperatingState.BYPASS_OPEN, True),
        (OperatingState.COOLING_DOWN, True),
    ],
)
def test_only_where_a_unit_may_stay_is_suppression_without_end(state: OperatingState, passing: bool) -> None:
    """A shut-in or cold unit may stand for months; one that does not arrive where it goes is in trouble."""
    rule = StateRule(alarm(states=frozenset({"drying"}), longest_suppression=3600.0))
    suppressed = [bool(rule.reason(state, at)) for at in (0.0, 3599.0, 3600.0, 1e7)]
    assert suppressed == [True, True, not passing, not passing]


def test_the_longest_suppression_counts_over_all_states_on_the_way() -> None:
    rule = StateRule(alarm(states=frozenset({"drying"}), longest_suppression=100.0))
    way = ((OperatingState.HEATING, 0.0), (OperatingState.READY, 60.0), (OperatingState.BYPASS_OPEN, 99.0))
    assert all(rule.reason(state, at) for state, at in way)
    assert rule.reason(OperatingState.BYPASS_OPEN, 100.0) == ""


def test_arriving_starts_it_anew_for_the_next_time() -> None:
    rule = StateRule(alarm(states=frozenset({"drying"}), longest_suppression=100.0))
    rule.reason(OperatingState.HEATING, 0.0)
    assert rule.reason(OperatingState.DRYING, 50.0) == ""
    assert rule.reason(OperatingState.HEATING, 140.0)
    assert rule.reason(OperatingState.HEATING, 239.0)
    assert rule.reason(OperatingState.HEATING, 240.0) == ""


def test_settling_ends_to_the_second_and_once() -> None:
    rule = StateRule(alarm(states=frozenset({"drying"}), settle_time=60.0))
    rule.reason(OperatingState.SHUT_IN, 0.0)
    seen = [bool(rule.reason(OperatingState.DRYING, at)) for at in (10.0, 69.0, 70.0, 71.0)]
    assert seen == [True, True, False, False]


def test_after_settling_there_is_nothing_to_keep() -> None:
    bench = Bench(alarm(states=frozenset({"drying"}), settle_time=60.0))
    kept = []
    way = (OperatingState.DRYING, OperatingState.SHUT_IN, OperatingState.DRYING, OperatingState.DRYING)
    for at, state in zip((0.0, 10.0, 20.0, 80.0), way, strict=True):
        bench.state = state
        bench.scan(at, 70.0)
        kept.append(bool(bench.engine.save()["alarms"]))
    assert kept == [False, True, True, False]


@pytest.mark.parametrize(
    ("way", "settle", "longest", "expected"),
    [
        ("sdudd", 60.0, None, "xx..."),  # an unknown state ends settling, it suppresses nothing afterwards
        ("hhhh", 0.0, None, "xxxx"),  # without a longest time also on the way
        ("sdhhhhd", 60.0, 3.0, "xxxxx.."),  # in force after the longest time: there is nothing to settle from
    ],
)
def test_what_ends_settling(way: str, settle: float, longest: float | None, expected: str) -> None:
    letters = {"d": "drying", "s": "shut in", "h": "heating", "u": "unknown"}
    rule = StateRule(alarm(states=frozenset({"drying"}), settle_time=settle, longest_suppression=longest))
    seen = (rule.reason(OperatingState(letters[it]), float(at)) for at, it in enumerate(way))
    assert "".join("x" if reason else "." for reason in seen) == expected


def test_a_rule_that_was_never_asked_has_nothing_to_keep() -> None:
    assert StateRule(alarm(states=frozenset({"drying"}))).save() == SavedRule(
        suppressing=False, settling=None, on_the_way=None
    )
    assert SavedRule() == SavedRule(suppressing=False, settling=None, on_the_way=None)
