"""What operators ask of the engine: acknowledging, resetting, shelving, out of service; and refusals."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.model import (
    ActionKind,
    AlarmState,
    OperatorAction,
)
from daemon.monitor.alarms import ActionRefusedError, Refusal
from tests.daemon.alarms.alarm_kit import (
    BOOT,
    START,
    UNIT,
    Bench,
    alarm,
    words,
)

RESET, UNSHELVE = ActionKind.RESET, ActionKind.UNSHELVE
REMOVE, RETURN = ActionKind.REMOVE_FROM_SERVICE, ActionKind.RETURN_TO_SERVICE
FIRST = f"{UNIT}.level_high.{int(START * 1000) + 1000}.1"


def test_acknowledging_carries_user_time_and_comment_and_may_be_repeated() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    (step,) = bench.acknowledge(3, comment="seen")
    assert (step.actor, step.comment, step.time, step.reason) == ("Ada", "seen", START + 3, "by Ada")
    assert bench.acknowledge(4, actor="Bo") == ()
    known = bench.shown().acknowledgement
    assert known is not None
    assert (known.actor, known.time, known.comment) == ("Ada", START + 3, "seen")
    bench.scan(5, 70.0)
    assert bench.acknowledge(6, occurrence=FIRST) == ()
    assert bench.shown().acknowledgement is None


def test_an_old_occurrence_is_refused_and_the_current_one_named() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    bench.scan(2, 70.0)
    bench.scan(3, 90.0)
    current = bench.shown().occurrence
    with pytest.raises(ActionRefusedError, match=f"that is {current}") as caught:
        bench.acknowledge(4, occurrence=FIRST)
    assert caught.value.refusal is Refusal.WRONG_OCCURRENCE
    assert bench.alarm_state() is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("kind", "fields", "refusal"),
    [
        (ActionKind.ACKNOWLEDGE, {"name": "nothing", "occurrence": "x"}, Refusal.UNKNOWN_ALARM),
        (ActionKind.ACKNOWLEDGE, {"occurrence": "x", "actor": ""}, Refusal.NO_ACTOR),
        (ActionKind.ACKNOWLEDGE, {}, Refusal.NO_OCCURRENCE),
        (ActionKind.ACKNOWLEDGE, {"occurrence": "x"}, Refusal.NOTHING_TO_ACKNOWLEDGE),
        (ActionKind.SHELVE, {"duration": 60.0}, Refusal.NO_COMMENT),
        (ActionKind.SHELVE, {"duration": 60.0, "comment": "  "}, Refusal.NO_COMMENT),
        (ActionKind.SHELVE, {"duration": 7201.0, "comment": "x"}, Refusal.SHELVING_TOO_LONG),
        (ActionKind.SHELVE, {"duration": -1.0, "comment": "x"}, Refusal.SHELVING_TOO_LONG),
        (ActionKind.SHELVE, {"duration": float("nan"), "comment": "x"}, Refusal.SHELVING_TOO_LONG),
        (ActionKind.SHELVE, {"name": "never", "comment": "x"}, Refusal.SHELVING_NOT_ALLOWED),
        (UNSHELVE, {}, Refusal.NOT_SHELVED),
        (RESET, {}, Refusal.NOTHING_TO_RESET),
        (REMOVE, {}, Refusal.NO_COMMENT),
        (RETURN, {}, Refusal.NOT_OUT_OF_SERVICE),
    ],
)
def test_a_refused_request_says_why_and_changes_nothing(
    kind: ActionKind, fields: dict[str, Any], refusal: Refusal
) -> None:
    bench = Bench(alarm(maximum_shelving=7200.0), alarm(id="never", maximum_shelving=0.0))
    bench.scan(0, 70.0)
    before = bench.engine.save()
    with pytest.raises(ActionRefusedError) as caught:
        bench.act(kind, **fields)
    assert caught.value.refusal is refusal
    assert str(caught.value)
    assert bench.engine.save() == before


def test_another_units_alarm_is_unknown() -> None:
    bench = Bench(alarm())
    with pytest.raises(ActionRefusedError, match="south has no alarm"):
        bench.engine.apply(OperatorAction(RESET, "south", "level_high", "Ada", START, BOOT))


def test_nobody_may_shelve_longer_than_a_day_whatever_the_definition_says() -> None:
    bench = Bench(alarm(maximum_shelving=1e9))
    with pytest.raises(ActionRefusedError, match="at most 24 h"):
        bench.shelve(duration=86401.0)
    bench.shelve(duration=86400.0)


def test_a_short_shelving_is_told_in_minutes() -> None:
    (step,) = Bench(alarm()).shelve(0, duration=600.0)
    assert step.reason == "for 10 min by Ada"


@pytest.mark.parametrize(("longest", "hours"), [(86400.0, 8), (3600.0, 1)])
def test_shelving_has_a_default_and_ends_by_itself(longest: float, hours: int) -> None:
    bench = Bench(alarm(maximum_shelving=longest))
    (step,) = bench.shelve(0, duration=0.0)
    assert (step.reason, step.comment) == (f"for {hours} h by Ada", "valve work")
    shelf = bench.shown().shelf
    assert shelf is not None
    assert (shelf.until, shelf.actor, shelf.comment) == (START + hours * 3600, "Ada", "valve work")
    assert bench.scan(hours * 3600 - 1, 70.0) == ()
    (step,) = bench.scan(hours * 3600, 70.0)
    assert (step.event, step.state, step.reason) == ("unshelved", AlarmState.NORMAL, "shelving time is over")
    assert bench.shown().shelf is None


def test_behind_the_shelf_the_condition_goes_on_and_coming_out_true_is_new() -> None:
    bench = Bench(alarm())
    bench.scan(1, 90.0)
    bench.acknowledge()
    (step,) = bench.shelve(2)
    assert (step.previous, step.state, step.occurrence) == (
        AlarmState.ACKNOWLEDGED,
        AlarmState.SHELVED,
        FIRST,
    )
    assert bench.shown().occurrence == ""
    assert words(bench.scan(3, 70.0)) == [("level_high", "condition false", "SHLVD")]
    (hidden,) = bench.scan(4, 90.0)
    assert (hidden.state, hidden.occurrence) == (AlarmState.SHELVED, "")
    with pytest.raises(ActionRefusedError, match="SHLVD"):
        bench.acknowledge(occurrence="other")
    (step,) = bench.act(UNSHELVE, 5)
    assert step.state is AlarmState.UNACKNOWLEDGED
    assert step.occurrence == f"{UNIT}.level_high.{int(START * 1000) + 5000}.2"


def test_shelving_again_sets_the_end_anew() -> None:
    bench = Bench(alarm())
    bench.shelve(0, duration=60.0)
    (step,) = bench.shelve(30, duration=60.0)
    assert (step.previous, step.state, step.event) == (AlarmState.SHELVED, AlarmState.SHELVED, "shelved")
    assert bench.scan(89, 70.0) == ()
    assert words(bench.scan(90, 70.0)) == [("level_high", "unshelved", "NORM")]


def test_out_of_service_and_back() -> None:
    bench = Bench(alarm())
    bench.act(REMOVE, 0, comment="transmitter away")
    assert bench.shown().service_note == "Ada: transmitter away"
    with pytest.raises(ActionRefusedError, match="already"):
        bench.act(REMOVE, comment="x")
    bench.scan(1, 90.0)
    assert bench.alarm_state() is AlarmState.OUT_OF_SERVICE
    (step,) = bench.act(RETURN, 2)
    assert step.state is AlarmState.UNACKNOWLEDGED
    assert bench.shown().service_note == ""
