"""Which reason is told where several suppress, and what is no reason to suppress."""

from __future__ import annotations

from config.alarms import SetPoint
from config.quantities import Quantity
from daemon.model import OperatingState, Result, Status
from tests.daemon.alarms.alarm_kit import Bench, alarm, bad, words


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
    bench = Bench(
        alarm(
            input="time_left",
            source="result",
            condition="predicted",
            quantity=Quantity.DURATION,
            setpoint_quantity=Quantity.DURATION,
            setpoint=SetPoint(900.0),
            quality_policy="suppress",
        )
    )
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
