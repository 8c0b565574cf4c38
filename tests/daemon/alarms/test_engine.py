"""The engine: scans and requests in, transitions out."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from config.alarms import SetPoint
from config.quantities import Quantity
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    LinkState,
    OperatingState,
    OperatorAction,
    Priority,
)
from daemon.monitor.alarms import ActionRefusedError, AlarmEngine, Refusal
from tests.daemon.alarms.alarm_kit import (
    BOOT,
    START,
    UNIT,
    Bench,
    alarm,
    bad,
    good,
    link,
    result,
    words,
    write,
)

RESET, UNSHELVE = ActionKind.RESET, ActionKind.UNSHELVE
REMOVE, RETURN = ActionKind.REMOVE_FROM_SERVICE, ActionKind.RETURN_TO_SERVICE
FIRST = f"{UNIT}.level_high.{int(START * 1000) + 1000}.1"


def test_a_raise_tells_everything() -> None:
    bench = Bench(alarm(on_delay=1.0))
    assert bench.scan(0, 85.0) == ()
    assert bench.scan(1, 86.5) == (
        AlarmTransition(
            unit=UNIT,
            alarm="level_high",
            occurrence=FIRST,
            previous=AlarmState.NORMAL,
            state=AlarmState.UNACKNOWLEDGED,
            event="condition true",
            time=START + 1,
            priority=Priority.MEDIUM,
            message="Level high: 86.5, high limit 80",
            reason="condition true for 1 s",
            value=86.5,
            setpoint=80.0,
            quantity="number",
            alarm_class="equipment",
        ),
    )


def test_opc_ua_part_9_annex_b_1_5() -> None:
    """On-delay, deadband, off-delay and re-alarm as OPC 10000-9 v1.05, B.1.5 tells them (text seen)."""
    bench = Bench(alarm(on_delay=3.0, off_delay=3.0, deadband=5.0, re_alarm=20.0, priority="highest"))
    timeline = [
        (range(2), 90.0, []),  # a momentary spike does not generate an alarm
        (range(2, 4), 70.0, []),
        (range(4, 7), 90.0, []),
        (range(7, 8), 90.0, [("level_high", "condition true", "UNACK")]),  # a sustained one does
        (range(8, 12), 78.0, []),  # jumping about the limit it remains in the same state
        (range(12, 14), 82.0, []),
        (range(14, 16), 70.0, []),  # below limit and deadband, but only very briefly
        (range(16, 27), 81.0, []),
        (range(27, 28), 81.0, [("level_high", "re-alarmed", "UNACK")]),  # as if it had just occurred
        (range(28, 31), 70.0, []),
        (range(31, 32), 70.0, [("level_high", "condition false", "RTNUN")]),
    ]
    occurrences = []
    for seconds, value, expected in timeline:
        for second in seconds:
            steps = bench.scan(second, value)
            assert words(steps) == expected, second
            occurrences += [step.occurrence for step in steps]
    assert len(set(occurrences)) == 2
    assert occurrences[1] == occurrences[2]


def test_opc_ua_part_9_table_b_1() -> None:
    """Active and acked through two alarms, OPC 10000-9 v1.05, table B.1 (seen; we have no confirming)."""
    bench = Bench(alarm())
    seen = []

    def note() -> None:
        shown = bench.shown()
        unacknowledged = shown.state in {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED}
        seen.append((shown.condition, not unacknowledged))

    note()
    for happening in ("active", "ack", "inactive", "active", "inactive", "ack"):
        if happening == "ack":
            bench.acknowledge()
        else:
            bench.scan(bench.at + 1, 90.0 if happening == "active" else 70.0)
        note()
    assert seen == [
        (False, True),
        (True, False),
        (True, True),
        (False, True),
        (True, False),
        (False, False),
        (False, True),
    ]


def test_a_latching_alarm_waits_for_its_reset() -> None:
    bench = Bench(alarm(latching=True))
    bench.scan(1, 90.0)
    (step,) = bench.scan(2, 70.0)
    assert (step.event, step.state) == ("condition false, latched", AlarmState.LATCHED_UNACKNOWLEDGED)
    assert step.message == "Level high: condition gone, now 70, waits for a reset"
    with pytest.raises(ActionRefusedError, match="must be acknowledged before") as caught:
        bench.act(RESET)
    assert caught.value.refusal is Refusal.NOTHING_TO_RESET
    bench.acknowledge()
    assert bench.alarm_state() is AlarmState.LATCHED_ACKNOWLEDGED
    (step,) = bench.act(RESET, 5)
    assert (step.state, step.occurrence, step.actor) == (AlarmState.NORMAL, FIRST, "Ada")
    with pytest.raises(ActionRefusedError, match="nothing to reset"):
        bench.act(RESET)
    bench.scan(6, 90.0)
    with pytest.raises(ActionRefusedError, match="still true"):
        bench.act(RESET)


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


def test_bad_input_neither_raises_nor_clears() -> None:
    bench = Bench(alarm(on_delay=2.0))
    bench.scan(0, 90.0)
    for second in range(1, 10):
        assert bench.scan(second, bad()) == ()
    assert bench.shown().held == "level is bad: open circuit"
    assert "no usable value (level is bad: open circuit)" in bench.shown().message
    assert bench.scan(10, 90.0) == ()
    assert words(bench.scan(11, 90.0)) == [("level_high", "condition true", "UNACK")]
    assert bench.shown().held == ""
    for second in range(12, 100):
        assert bench.scan(second, bad()) == ()
    assert bench.alarm_state() is AlarmState.UNACKNOWLEDGED


def test_bad_input_may_alarm_or_suppress_instead() -> None:
    bench = Bench(alarm(quality_policy="alarm"), alarm(id="quiet", quality_policy="suppress"))
    steps = bench.scan(1, bad())
    assert words(steps) == [
        ("level_high", "condition true", "UNACK"),
        ("quiet", "suppressed by design", "DSUPR"),
    ]
    assert steps[0].message == "Level high: no usable value (level is bad: open circuit)"
    assert words(bench.scan(2, 70.0)) == [
        ("level_high", "condition false", "RTNUN"),
        ("quiet", "suppression by design ended", "NORM"),
    ]


def test_a_lost_controller_is_one_alarm() -> None:
    instruments = [
        alarm(
            id=f"bad.{name}",
            input=name,
            condition="bad quality",
            setpoint=None,
            controller="plc",
            on_delay=5.0,
        )
        for name in ("a", "b", "c")
    ]
    lost = alarm(
        id="lost",
        title="Controller lost: plc",
        input="plc",
        source="link",
        condition="link down",
        setpoint=None,
    )
    bench = Bench(lost, *instruments)
    bench.links = {"plc": link(LinkState.UP)}
    bench.scan(0, a=1.0, b=bad(), c=1.0)
    assert words(bench.scan(5, a=1.0, b=bad(), c=1.0)) == [("bad.b", "condition true", "UNACK")]
    bench.links = {"plc": link(LinkState.DOWN, "no answer for 3 s")}
    (step,) = bench.scan(6, a=bad(), b=bad(), c=bad())
    assert (step.alarm, step.message) == ("lost", "Controller lost: plc: no answer for 3 s")
    for second in range(7, 60):
        assert bench.scan(second, a=bad(), b=bad(), c=bad()) == ()
    assert bench.shown("bad.a").held == "controller plc is not connected"
    bench.links = {"plc": link(LinkState.UP)}
    assert words(bench.scan(60, a=1.0, b=1.0, c=1.0)) == [
        ("lost", "condition false", "RTNUN"),
        ("bad.b", "condition false", "RTNUN"),
    ]


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


def test_re_alarm_comes_again_until_it_is_resolved() -> None:
    bench = Bench(alarm(priority="highest", re_alarm=10.0))
    bench.scan(0, 90.0)
    bench.acknowledge(1)
    first = bench.shown().occurrence
    assert bench.scan(9, 90.0) == ()
    (step,) = bench.scan(10, 90.0)
    assert (step.previous, step.state) == (AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)
    assert step.reason == f"not resolved for 10 s; repeats {first}"
    assert step.occurrence != first
    assert bench.acknowledge(11, occurrence=first) == ()  # what was acknowledged stays so
    assert bench.alarm_state() is AlarmState.UNACKNOWLEDGED
    assert words(bench.scan(20, 70.0)) == [("level_high", "condition false", "RTNUN")]
    assert bench.scan(40, 70.0) == ()
    bench.scan(41, 90.0)
    bench.shelve(42, duration=1000.0)
    assert bench.scan(100, 90.0) == ()


def test_suppression_in_the_scan_of_a_repetition_wins() -> None:
    bench = Bench(alarm(priority="highest", re_alarm=10.0, states=frozenset({"drying"})))
    bench.scan(0, 90.0)
    bench.state = OperatingState.SHUT_IN
    assert words(bench.scan(10, 90.0)) == [("level_high", "suppressed by design", "DSUPR")]


def test_active_lists_the_most_important_first_and_the_hidden_last() -> None:
    bench = Bench(
        alarm(id="low", priority="low"),
        alarm(id="old", priority="high"),
        alarm(id="new", priority="high", on_delay=5.0),
        alarm(id="shelved", priority="highest"),
        alarm(id="normal", input="other"),
    )
    bench.shelve(0, name="shelved")
    bench.scan(1, 90.0)
    bench.scan(6, 90.0)
    assert [item.alarm.id for item in bench.engine.active()] == ["new", "old", "low", "shelved"]
    assert [item.alarm.id for item in bench.engine.snapshot()] == ["low", "old", "new", "shelved", "normal"]
    raised = {item.alarm.id: item.raised for item in bench.engine.active()}
    assert raised == {"new": START + 6, "old": START + 1, "low": START + 1, "shelved": None}


def test_two_alarms_of_one_id_are_refused() -> None:
    with pytest.raises(ValueError, match="same id"):
        AlarmEngine(UNIT, [alarm(), alarm()], write)


@pytest.mark.parametrize(
    ("changes", "signals", "message"),
    [
        ({}, {"level": 90.0}, "Level high: 90, high limit 80"),
        (
            {"condition": "deviation", "deviation_from": "shutdown_level", "setpoint": SetPoint(5.0)},
            {"level": 90.0, "shutdown_level": 78.0},
            "Level high: 12 away from shutdown level, limit 5",
        ),
        ({"condition": "state true", "setpoint": None}, {"level": 1.0}, "Level high: level: yes"),
        ({"condition": "state false", "setpoint": None}, {"level": 0.0}, "Level high: level: no"),
        ({"condition": "bad quality", "setpoint": None}, {"level": bad()}, "Level high: open circuit"),
        ({"condition": "bad quality", "setpoint": None}, {}, "Level high: no value"),
    ],
)
def test_messages(changes: dict[str, Any], signals: dict[str, Any], message: str) -> None:
    (step,) = Bench(alarm(**changes)).scan(1, **signals)
    assert step.message == message


def test_messages_when_the_condition_is_gone() -> None:
    bench = Bench(
        alarm(id="value"),
        alarm(id="state", input="flag", condition="state true", setpoint=None),
        alarm(id="quality", input="temperature", condition="bad quality", setpoint=None),
    )
    bench.scan(1, 90.0, flag=1.0, temperature=bad())
    assert [step.message for step in bench.scan(2, 70.0, flag=0.0, temperature=20.0)] == [
        "Level high: condition gone, now 70",
        "Level high: condition gone",
        "Level high: condition gone, now 20",
    ]
    assert bench.shown("quality").message == "Level high: good again, now 20"


@pytest.mark.parametrize(("window", "words_"), [(600.0, "10 min"), (7200.0, "2 h"), (90.0, "90 s")])
def test_a_rate_is_told_with_its_window(window: float, words_: str) -> None:
    bench = Bench(alarm(condition="rate high", window=window, setpoint=SetPoint(10.0)))
    steps: tuple[AlarmTransition, ...] = ()
    second = 0.0
    while not steps:
        steps = bench.scan(second, 20.0 * second / window)
        second += window / 60
    assert steps[0].message == f"Level high: changed by 20 in {words_}, limit 10"


def test_an_alarm_that_cannot_be_judged_yet_says_so() -> None:
    bench = Bench(alarm())
    assert bench.shown().message == "Level high: no usable value (not evaluated yet)"
    bench = Bench(alarm(setpoint=SetPoint(0.0, "limit")))
    bench.scan(1, 90.0)
    assert bench.shown().message == "Level high: 90, the setpoint has no usable value"


def test_values_are_written_in_the_quantity_of_the_setpoint() -> None:
    asked = []

    def spy(quantity: Quantity, si: float) -> str:
        asked.append(quantity)
        return str(si)

    bench = Bench(
        alarm(
            condition="deviation",
            deviation_from="b",
            setpoint=SetPoint(1.0),
            quantity=Quantity.TEMPERATURE,
            setpoint_quantity=Quantity.TEMPERATURE_DIFFERENCE,
        )
    )
    bench.engine = AlarmEngine(UNIT, bench.alarms, spy)
    (step,) = bench.scan(1, 300.0, b=290.0)
    assert step.quantity == "temperature difference"
    assert set(asked) == {Quantity.TEMPERATURE_DIFFERENCE}


def test_the_same_inputs_give_the_same_occurrences() -> None:
    def run() -> list[str]:
        bench = Bench(alarm(), alarm(id="second"))
        steps = bench.scan(1, 90.0) + bench.scan(2, 70.0) + bench.scan(3, 90.0)
        return [step.occurrence for step in steps]

    assert run() == run()
    assert len(set(run())) == 4


def test_results_are_watched_as_signals_are() -> None:
    bench = Bench(alarm(input="margin", source="result", condition="low", setpoint=SetPoint(2.0)))
    bench.results = {"margin": result(1.0)}
    assert words(bench.scan(1)) == [("level_high", "condition true", "UNACK")]


def test_a_snapshot_is_frozen() -> None:
    shown = Bench(alarm()).shown()
    with pytest.raises(dataclasses.FrozenInstanceError):
        shown.state = AlarmState.SHELVED  # type: ignore[misc]  # that it cannot be assigned is the claim
