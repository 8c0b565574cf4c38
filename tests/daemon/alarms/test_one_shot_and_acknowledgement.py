"""Shelving that ends when the condition is gone, and alarms that need no acknowledgement."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from config.alarm_set import packaged_alarms
from config.alarms import LONGEST_SHELVING, AlarmDefinition
from daemon.model import ActionKind, AlarmState
from daemon.monitor.alarms import ActionRefusedError, Refusal
from tests.daemon.alarms.alarm_kit import START, Bench, alarm, bad, words


def shelved(*, at: float = 1.0, **changes: object) -> Bench:
    bench = Bench(alarm(**changes))
    bench.scan(0, 90.0)
    bench.shelve(at, duration=0.0, until_return=True)
    return bench


def test_one_shot_shelving_ends_when_the_condition_is_gone() -> None:
    bench = shelved()
    assert bench.scan(100, 95.0) == ()
    steps = bench.scan(200, 50.0)
    assert words(steps) == [
        ("level_high", "condition false", "SHLVD"),
        ("level_high", "unshelved", "NORM"),
    ]
    assert steps[1].reason == "the condition is gone, until then it was shelved"
    assert bench.shown().shelf is None
    # The next time it comes it is shown: that is what one shot means.
    assert words(bench.scan(300, 90.0)) == [("level_high", "condition true", "UNACK")]


def test_it_waits_for_deadband_and_off_delay_as_the_condition_does() -> None:
    bench = shelved(deadband=5.0, off_delay=10.0)
    assert bench.scan(10, 78.0) == ()
    assert bench.scan(20, 74.0) == ()
    assert bench.scan(25, bad()) == ()
    assert bench.alarm_state() is AlarmState.SHELVED
    assert [step.state.value for step in bench.scan(35, 74.0)] == ["SHLVD", "NORM"]


def test_it_ends_at_the_hard_limit_all_the_same() -> None:
    bench = shelved()
    shelf = bench.shown().shelf
    assert shelf is not None
    assert (shelf.until, shelf.until_return) == (START + 1 + LONGEST_SHELVING, True)
    assert bench.scan(LONGEST_SHELVING, 90.0) == ()
    (back,) = bench.scan(1 + LONGEST_SHELVING, 90.0)
    assert (back.event, back.state, back.reason) == (
        "unshelved",
        AlarmState.UNACKNOWLEDGED,
        "shelving time is over",
    )


def test_it_may_be_shorter_and_never_longer_than_the_alarm_allows() -> None:
    bench = Bench(alarm(maximum_shelving=3600.0))
    bench.scan(0, 90.0)
    (step,) = bench.shelve(1, duration=1800.0, until_return=True)
    assert step.reason == "until its condition is gone, for 30 min at most by Ada"
    with pytest.raises(ActionRefusedError) as refused:
        bench.shelve(2, duration=7200.0, until_return=True)
    assert refused.value.refusal is Refusal.SHELVING_TOO_LONG


def test_what_is_gone_already_is_not_shelved_until_it_is_gone() -> None:
    bench = Bench(alarm())
    bench.scan(0, 90.0)
    bench.scan(1, 50.0)
    with pytest.raises(ActionRefusedError, match="gone already; shelve it for a time") as refused:
        bench.shelve(2, until_return=True)
    assert refused.value.refusal is Refusal.NOTHING_TO_RETURN
    assert bench.alarm_state() is AlarmState.RETURNED_UNACKNOWLEDGED


def test_a_restart_keeps_it() -> None:
    bench = shelved()
    bench.scan(5, 90.0)
    bench.restart(downtime=60.0)
    assert [step.state.value for step in bench.scan(bench.at + 1, 50.0)] == ["SHLVD", "NORM"]


def test_a_latching_alarm_out_of_its_one_shot_stays_normal() -> None:
    bench = shelved(latching=True)
    assert words(bench.scan(10, 50.0)) == [
        ("level_high", "condition false, latched", "SHLVD"),
        ("level_high", "unshelved", "NORM"),
    ]


# ---------------------------------------------------------------- no acknowledgement needed


@pytest.mark.parametrize("acknowledged", [False, True])
def test_what_needs_no_acknowledgement_goes_by_itself(*, acknowledged: bool) -> None:
    bench = Bench(alarm(priority="low", ack_required=False))
    bench.scan(0, 90.0)
    if acknowledged:
        bench.acknowledge(1)
    (gone,) = bench.scan(2, 50.0)
    assert (gone.event, gone.state) == ("condition false, no acknowledgement needed", AlarmState.NORMAL)
    assert gone.message == "Level high: condition gone, now 50"
    assert bench.shown().occurrence == ""
    with pytest.raises(ActionRefusedError):
        bench.act(ActionKind.ACKNOWLEDGE, 3, occurrence=gone.occurrence + "x")


def test_behind_a_shelf_it_is_the_same() -> None:
    bench = Bench(alarm(priority="low", ack_required=False))
    bench.scan(0, 90.0)
    bench.shelve(1)
    (gone,) = bench.scan(2, 50.0)
    assert gone.state is AlarmState.SHELVED


@pytest.mark.parametrize(
    "changes", [{"priority": "medium"}, {"alarm_class": "safety"}, {"latching": True}], ids=str
)
def test_only_low_alarms_that_neither_latch_nor_are_about_safety(changes: dict[str, object]) -> None:
    low = packaged_alarms()["surge_level_high"].model_dump() | {"ack_required": False}
    assert not AlarmDefinition.model_validate(low).ack_required
    with pytest.raises(ValidationError, match="remove ack_required"):
        AlarmDefinition.model_validate(low | changes)
