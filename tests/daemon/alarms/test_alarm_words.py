"""What a person reads of a step or a refusal: it names the thing, says what happened and what would do."""

from __future__ import annotations

import pytest

from daemon.model import ActionKind, AlarmState, OperatorAction
from daemon.monitor.alarms import ActionRefusedError, AlarmEngine, Refusal
from daemon.monitor.alarms.lifecycle import IllegalEventError, Life, LifeEvent, step
from tests.daemon.alarms.alarm_kit import BOOT, START, UNIT, Bench, alarm, write


def test_an_illegal_event_names_event_and_state() -> None:
    with pytest.raises(IllegalEventError) as caught:
        step(Life(), LifeEvent.ACKNOWLEDGED)
    assert str(caught.value) == '"acknowledged" cannot happen to an alarm in state NORM'


@pytest.mark.parametrize(
    ("delay", "came", "went"),
    [
        (0.0, "condition true at once", "condition false at once"),
        (5.0, "condition true for 5 s", "condition false for 5 s"),
    ],
)
def test_how_long_the_condition_was_held(delay: float, came: str, went: str) -> None:
    bench = Bench(alarm(on_delay=delay, off_delay=delay))
    reasons = [
        step.reason
        for second, level in ((0, 90.0), (5, 90.0), (6, 70.0), (11, 70.0))
        for step in bench.scan(second, level)
    ]
    assert reasons == [came, went]


def test_an_unknown_alarm_is_named_with_its_unit() -> None:
    with pytest.raises(ActionRefusedError, match=r"^north has no alarm pump_high$"):
        Bench(alarm()).act(ActionKind.RESET, name="pump_high")


def test_two_of_one_id_name_the_unit() -> None:
    with pytest.raises(ValueError, match=rf"^two alarms of {UNIT} have the same id$"):
        AlarmEngine(UNIT, [alarm(), alarm()], write)


def refused(bench: Bench, kind: ActionKind, **fields: object) -> str:
    values: dict[str, object] = {"actor": "Ada", "time": START, "monotonic": BOOT, **fields}
    with pytest.raises(ActionRefusedError) as caught:
        bench.engine.apply(OperatorAction(kind, UNIT, "level_high", **values))  # type: ignore[arg-type]  # any field
    return str(caught.value)


def test_every_refusal_says_of_which_alarm_and_why() -> None:
    bench = Bench(alarm(maximum_shelving=7200.0))
    bench.scan(0, 70.0)
    acknowledge, shelve = ActionKind.ACKNOWLEDGE, ActionKind.SHELVE
    assert refused(bench, acknowledge, actor="") == "acknowledge needs the name of a user"
    assert refused(bench, acknowledge) == "acknowledging level_high needs the occurrence that was seen"
    assert refused(bench, acknowledge, occurrence="x") == "level_high is NORM: nothing to acknowledge"
    assert refused(bench, shelve, duration=9000.0, comment="x") == (
        "level_high may be shelved for at most 2 h and not for 2.5 h"
    )
    assert refused(bench, shelve) == "to shelve, say why in a comment"
    assert refused(bench, shelve, comment="x", until_return=True) == (
        "the condition of level_high is gone already; shelve it for a time instead"
    )
    assert refused(bench, ActionKind.UNSHELVE) == "level_high is not shelved"
    assert refused(bench, ActionKind.RESET) == "level_high is NORM: nothing to reset"
    assert refused(bench, ActionKind.RETURN_TO_SERVICE) == "level_high is not out of service"
    bench.act(ActionKind.REMOVE_FROM_SERVICE, 1, comment="calibration")
    assert (
        refused(bench, ActionKind.REMOVE_FROM_SERVICE, comment="x") == "level_high is out of service already"
    )


def test_a_refusal_says_what_the_alarm_waits_for() -> None:
    bench = Bench(alarm(latching=True))
    bench.scan(0, 90.0)
    current = bench.shown().occurrence
    assert refused(bench, ActionKind.ACKNOWLEDGE, occurrence="north.level_high.0.0") == (
        f"north.level_high.0.0 is not the current occurrence of level_high; that is {current}"
    )
    assert refused(bench, ActionKind.RESET) == "the condition of level_high is still true"
    bench.scan(1, 70.0)
    assert refused(bench, ActionKind.RESET) == "level_high must be acknowledged before it is reset"


def test_what_may_not_be_shelved_can_be_taken_out_of_service() -> None:
    bench = Bench(alarm(maximum_shelving=0.0))
    assert refused(bench, ActionKind.SHELVE, comment="x") == (
        "level_high may not be shelved; for maintenance it can be removed from service"
    )
    (step_,) = bench.act(ActionKind.REMOVE_FROM_SERVICE, comment="calibration")
    assert (step_.state, step_.reason) == (AlarmState.OUT_OF_SERVICE, "by Ada")


def test_an_alarm_that_ended_by_configuration_says_so() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    bench.alarms = ()
    (end,) = bench.restart()
    assert end.reason == "the configuration that was loaded has no such alarm"
    assert (end.alarm_class, end.value) == ("equipment", None)


def test_every_refusal_has_words_and_so_is_never_taken_for_nothing() -> None:
    assert all(Refusal)
    assert len(Refusal) == 13


def test_an_alarm_that_stands_by_its_deadband_says_where_it_goes() -> None:
    bench = Bench(alarm(deadband=5.0))
    bench.scan(0, 90.0)
    (beyond,) = bench.engine.snapshot()
    bench.scan(1, 78.0)
    (between,) = bench.engine.snapshot()
    bench.scan(2, 70.0)
    (gone,) = bench.engine.snapshot()

    assert not beyond.message.count("goes")
    assert between.condition
    assert between.message.endswith(f"high limit {write_setpoint(80.0)}, goes below {write_setpoint(75.0)}")
    assert not gone.message.count("goes")


def write_setpoint(value: float) -> str:
    return write(alarm().setpoint_quantity, value)
