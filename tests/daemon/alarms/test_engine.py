"""The engine: scans in, transitions out."""

from __future__ import annotations

import dataclasses

import pytest

from config.alarms import SetPoint
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    LinkState,
    OperatingState,
    Priority,
)
from daemon.monitor.alarms import ActionRefusedError, AlarmEngine, Refusal
from tests.daemon.alarms.alarm_kit import (
    START,
    UNIT,
    Bench,
    alarm,
    bad,
    link,
    result,
    words,
    write,
)

RESET = ActionKind.RESET
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
