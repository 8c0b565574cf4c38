"""Alarms that are hidden, come out of hiding, and come together: what is shown, and what came first."""

from __future__ import annotations

from daemon.model import (
    ActionKind,
    AlarmState,
    OperatingState,
)
from tests.daemon.alarms.alarm_kit import (
    START,
    Bench,
    alarm,
    good,
    words,
)

UNSHELVE, REMOVE = ActionKind.UNSHELVE, ActionKind.REMOVE_FROM_SERVICE


def test_a_state_that_suppresses_in_the_scan_of_the_crossing_keeps_it_quiet() -> None:
    bench = Bench(alarm(states=frozenset({"drying"}), settle_time=2.0))
    bench.state = OperatingState.SHUT_IN
    steps = bench.scan(1, 90.0)
    assert words(steps) == [
        ("level_high", "suppressed by design", "DSUPR"),
        ("level_high", "condition true", "DSUPR"),
    ]
    assert steps[0].reason == "not in force while the unit is shut in"
    assert bench.shown().suppression == "not in force while the unit is shut in"
    bench.state = OperatingState.DRYING
    assert bench.scan(2, 90.0) == ()
    assert bench.scan(3, 90.0) == ()
    (step,) = bench.scan(4, 90.0)
    assert (step.state, step.event) == (AlarmState.UNACKNOWLEDGED, "suppression by design ended")
    assert step.message == "Level high: suppression by design ended, 90, high limit 80"
    assert bench.shown().suppression == ""


def test_an_alarm_that_explains_another_suppresses_it_while_it_is_shown() -> None:
    effect = alarm(id="effect", input="effect", suppressed_by=("not_here", "level_high"))
    bench = Bench(effect, alarm())
    assert words(bench.scan(1, 90.0, effect=90.0)) == [
        ("effect", "suppressed by design", "DSUPR"),
        ("effect", "condition true", "DSUPR"),
        ("level_high", "condition true", "UNACK"),
    ]
    assert bench.shown("effect").suppression == "explained by level_high"
    bench.shelve(2)
    (step,) = bench.scan(3, 90.0, effect=90.0)
    assert (step.alarm, step.state, step.reason) == (
        "effect",
        AlarmState.UNACKNOWLEDGED,
        "no longer explained by level_high",
    )
    bench.act(UNSHELVE, 4)
    assert words(bench.scan(5, 90.0, effect=90.0)) == [("effect", "suppressed by design", "DSUPR")]
    assert words(bench.scan(6, 70.0, effect=70.0)) == [
        ("effect", "condition false", "DSUPR"),
        ("effect", "suppression by design ended", "NORM"),
        ("level_high", "condition false", "RTNUN"),
    ]


def test_one_suppression_may_take_over_from_another() -> None:
    both = alarm(id="effect", input="effect", suppressed_by=("level_high",), states=frozenset({"drying"}))
    bench = Bench(both, alarm())
    bench.scan(1, 90.0, effect=70.0)
    bench.state = OperatingState.SHUT_IN
    assert bench.scan(2, 90.0, effect=70.0) == ()
    assert bench.shown("effect").suppression == "not in force while the unit is shut in"


def test_coming_out_of_hiding_with_the_condition_gone_is_quiet() -> None:
    bench = Bench(alarm())
    bench.shelve(0, duration=10.0)
    bench.scan(1, 90.0)
    assert words(bench.scan(10, 70.0)) == [
        ("level_high", "condition false", "SHLVD"),
        ("level_high", "unshelved", "NORM"),
    ]


def test_an_unknown_state_suppresses_nothing() -> None:
    bench = Bench(alarm(states=frozenset({"drying"})))
    bench.state = OperatingState.UNKNOWN
    assert words(bench.scan(1, 90.0)) == [("level_high", "condition true", "UNACK")]


def test_first_out_of_a_group_by_the_time_of_its_source() -> None:
    bench = Bench(
        alarm(id="effect", input="a", first_out_group="g"),
        alarm(id="cause", input="b", first_out_group="g"),
        alarm(id="apart", input="a"),
    )
    steps = bench.scan(1, a=good(90.0, START + 0.9), b=good(90.0, START + 0.4))
    assert [(step.alarm, step.first_out) for step in steps] == [
        ("effect", False),
        ("cause", True),
        ("apart", False),
    ]
    assert steps[0].reason == "condition true at once; 0.5 s after cause"
    assert bench.shown("cause").first_out
    bench.acknowledge(2, name="cause")
    assert bench.shown("cause").first_out
    (step,) = bench.scan(3, a=90.0, b=70.0)
    assert not step.first_out
    assert not bench.shown("cause").first_out


def test_a_hidden_alarm_is_never_first() -> None:
    group = [alarm(id=name, input=name, first_out_group="g") for name in ("a", "b", "c")]
    bench = Bench(*group)
    bench.act(REMOVE, 0, name="a", comment="x")
    bench.shelve(0, name="b", duration=1.0)
    steps = bench.scan(1, a=good(90.0, START), b=good(90.0, START + 0.5), c=90.0)
    assert {step.alarm: step.first_out for step in steps if step.event == "condition true"} == {
        "a": False,
        "b": True,  # its shelving ends in the same scan
        "c": False,
    }
