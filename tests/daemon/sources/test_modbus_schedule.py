"""The schedule: who is read next, and what a silent device may cost its neighbours."""

from __future__ import annotations

import pytest

from config.quantities import Quantity
from config.signals import ModbusSignal
from daemon.sources.modbus_faults import FaultKind, ReadError
from daemon.sources.modbus_plan import plan_signals
from daemon.sources.modbus_schedule import FIRST_MERGE_DELAY, ReadState, Schedule
from tests.daemon.sources.test_modbus_plan import controller

SILENCE = ReadError(FaultKind.TIMEOUT, "no answer")
ILLEGAL_ADDRESS = ReadError.refused(2)


def schedule_of(*signals: tuple[int, int, str], period: float = 1.0) -> Schedule:
    """Make a schedule of one read for each (device id, address, scan class)."""
    planned = plan_signals(
        controller(max_gap=0),
        {
            ("u", f"d{device}a{address}"): ModbusSignal(
                controller="plc",
                table="holding",
                address=address,
                type="uint16",
                device_id=device,
                scan_class=scan_class,  # type: ignore[arg-type] # a literal, checked by the model
                quantity=Quantity.NUMBER,
            )
            for device, address, scan_class in signals
        },
    )
    return Schedule(planned, period=period, slow_period=30.0, retry_limit=8.0, start=0.0)


def names(state: ReadState) -> str:
    return " ".join(point.signal for point in state.read.points)


def cycle(schedule: Schedule, now: float, silent: frozenset[int] = frozenset()) -> list[str]:
    """Run one cycle in which some devices do not answer; returns what was asked, in order."""
    schedule.begin(now)
    asked = []
    while (state := schedule.next_read(now)) is not None:
        asked.append(names(state))
        if state.read.request.device_id in silent:
            schedule.failed(state, SILENCE, now)
        else:
            schedule.answered(state)
    schedule.end()
    return asked


def test_fast_reads_come_first_and_slow_ones_at_their_own_period() -> None:
    schedule = schedule_of((1, 0, "slow"), (1, 50, "fast"), (1, 99, "fast"))
    assert cycle(schedule, 0.0) == ["d1a50", "d1a99", "d1a0"]
    assert cycle(schedule, 1.0) == ["d1a50", "d1a99"]
    assert cycle(schedule, 30.0) == ["d1a50", "d1a99", "d1a0"]


def test_slow_reads_are_spread_over_cycles_when_the_period_is_used_up() -> None:
    schedule = schedule_of((1, 0, "slow"), (1, 50, "slow"), (1, 99, "slow"))
    for start in (0.0, 5.0, 10.0):
        schedule.begin(start)
        first = schedule.next_read(start + 2.0)
        assert first is not None
        schedule.answered(first)
        assert schedule.next_read(start + 3.0) is None  # one each cycle, so that none starves


def test_a_silent_device_is_asked_last_at_most_once_a_cycle_and_ever_more_rarely() -> None:
    schedule = schedule_of((1, 0, "fast"), (2, 0, "fast"), (2, 50, "fast"), (3, 0, "fast"))
    silent = frozenset({2})
    assert cycle(schedule, 0.0, silent) == ["d1a0", "d2a0", "d3a0"]
    tried = [now for now in range(1, 40) if len(cycle(schedule, float(now), silent)) == 3]
    assert tried == [1, 3, 7, 15, 23, 31, 39]  # after 1, 2, 4, 8 s, which is the limit


def test_of_many_silent_devices_one_cycle_tries_one() -> None:
    schedule = schedule_of(*((device, 0, "fast") for device in range(1, 9)))
    silent = frozenset(range(1, 8))
    assert len(cycle(schedule, 0.0, silent)) == 8
    for now in range(1, 20):
        asked = cycle(schedule, float(now), silent)
        assert asked[0] == "d8a0"
        assert len(asked) <= 2


def test_a_device_that_answers_again_is_read_in_full_in_the_same_cycle_and_so_are_others() -> None:
    schedule = schedule_of((1, 0, "fast"), (2, 0, "fast"), (2, 50, "fast"), (3, 0, "fast"))
    cycle(schedule, 0.0, frozenset({1, 2, 3}))
    assert sorted(cycle(schedule, 10.0)) == ["d1a0", "d2a0", "d2a50", "d3a0"]


def test_a_read_that_a_device_cannot_answer_does_not_hide_its_other_reads() -> None:
    schedule = schedule_of((1, 0, "fast"), (1, 50, "fast"))
    answered = set()
    for now in range(4):
        schedule.begin(float(now))
        while (state := schedule.next_read(float(now))) is not None:
            if names(state) == "d1a0":
                schedule.failed(state, SILENCE, float(now))
            else:
                answered.add(names(state))
                schedule.answered(state)
        schedule.end()
    assert answered == {"d1a50"}


def test_what_was_due_and_not_read_is_missed_with_the_reason() -> None:
    schedule = schedule_of((1, 0, "fast"), (2, 0, "fast"), (2, 50, "fast"))
    schedule.begin(0.0)
    while (state := schedule.next_read(0.0)) is not None:
        if state.read.request.device_id == 2:
            schedule.failed(state, SILENCE, 0.0)
        else:
            schedule.answered(state)
    missed = schedule.end()
    assert sorted(names(one.state) for one in missed) == ["d2a0", "d2a50"]
    assert all(one.fault is SILENCE for one in missed)
    assert all(one.state.misses == 1 for one in missed)


def refuse(schedule: Schedule, now: float, bad: str) -> tuple[int, set[str]]:
    """Run a cycle of a device that refuses every read which holds ``bad``; returns requests and answers."""
    schedule.begin(now)
    requests, answered = 0, set()
    while (state := schedule.next_read(now)) is not None:
        requests += 1
        if bad in names(state).split():
            schedule.failed(state, ILLEGAL_ADDRESS, now)
        else:
            schedule.answered(state)
            answered |= set(names(state).split())
    schedule.end()
    return requests, answered


def test_a_refused_read_is_halved_until_the_culprit_is_alone_and_merged_again_later() -> None:
    schedule = schedule_of(*((1, address, "fast") for address in range(16)))
    everyone = {f"d1a{address}" for address in range(16)}
    requests, answered = refuse(schedule, 0.0, "d1a5")
    assert requests == 9  # the whole, then two halves at each of four levels
    assert answered == everyone - {"d1a5"}
    assert refuse(schedule, 1.0, "d1a5") == (4, everyone - {"d1a5"})  # the culprit rests
    assert refuse(schedule, 31.0, "d1a5")[0] == 5
    assert refuse(schedule, FIRST_MERGE_DELAY, "nobody") == (1, everyone)


def test_only_misses_that_were_due_count_while_there_is_no_connection() -> None:
    schedule = schedule_of((1, 0, "fast"), (1, 50, "slow"))
    cycle(schedule, 0.0)
    gone = ReadError(FaultKind.NOT_CONNECTED, "gone")
    for now in (1.0, 2.0, 3.0):
        schedule.begin(now)
        missed = schedule.all_missed(gone, counted=True)
        assert len(missed) == 2
    assert {names(state): state.misses for state in schedule.states} == {"d1a0": 3, "d1a50": 0}
    schedule.all_missed(gone, counted=False)
    assert max(state.misses for state in schedule.states) == 3


@pytest.mark.parametrize("fault", [SILENCE, ILLEGAL_ADDRESS, ReadError.refused(6)])
def test_an_answer_clears_what_was_held_against_a_read(fault: ReadError) -> None:
    schedule = schedule_of((1, 0, "fast"))
    schedule.begin(0.0)
    state = schedule.next_read(0.0)
    assert state is not None
    schedule.failed(state, fault, 0.0)
    schedule.reconnected()
    schedule.begin(1.0)
    state = schedule.next_read(1.0)
    assert state is not None
    schedule.answered(state)
    assert (state.misses, state.fault) == (0, None)
