"""Random operation of a unit's alarms: what must hold whatever happens, checked after every step."""

from __future__ import annotations

import json

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from daemon.model import ActionKind, AlarmState, AlarmTransition, OperatingState
from daemon.monitor.alarms import ActionRefusedError, AlarmEngine, Refusal
from tests.daemon.alarms.alarm_kit import START, UNIT, Bench, alarm, bad, write

ALARMS = (
    alarm(on_delay=2.0, off_delay=2.0, deadband=5.0, first_out_group="g"),
    alarm(id="latching", latching=True, first_out_group="g"),
    alarm(id="by_state", states=frozenset({"drying"}), settle_time=4.0),
    alarm(id="explained", suppressed_by=("latching",)),
    alarm(id="suppressing", quality_policy="suppress", maximum_shelving=30.0),
    alarm(id="repeating", priority="highest", re_alarm=6.0, quality_policy="alarm"),
)
NAMES = st.sampled_from([item.id for item in ALARMS])
HIDDEN = {AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE}
LONGEST_SHELVING = 30.0


class AlarmMachine(RuleBasedStateMachine):
    """Scans with any value, any operator's request, restarts; two engines where one is restored."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench(*ALARMS)
        self.past: dict[str, list[str]] = {item.id: [] for item in ALARMS}
        self.shelved_at: dict[str, float] = {}

    def note(self, steps: tuple[AlarmTransition, ...]) -> None:
        for step in steps:
            if step.state is AlarmState.UNACKNOWLEDGED and step.event != "acknowledged":
                assert step.occurrence not in self.past[step.alarm]
                self.past[step.alarm].append(step.occurrence)
            if step.state is AlarmState.NORMAL and step.previous not in HIDDEN:
                # Back to normal only with the condition gone.
                assert not self.bench.shown(step.alarm).condition
            if step.previous in HIDDEN and step.state in HIDDEN:
                assert not step.state.annunciated

    @rule(
        seconds=st.sampled_from([0.5, 1.0, 3.0]),
        level=st.sampled_from([70.0, 78.0, 90.0, None]),
        state=st.sampled_from([OperatingState.DRYING, OperatingState.SHUT_IN, OperatingState.UNKNOWN]),
    )
    def scan(self, seconds: float, level: float | None, state: OperatingState) -> None:
        self.bench.state = state
        held = {item.alarm.id: item.condition for item in self.bench.engine.snapshot()}
        self.note(self.bench.scan(self.bench.at + seconds, bad() if level is None else level))
        if level is None:
            for item in self.bench.engine.snapshot():
                if item.alarm.quality_policy != "alarm":
                    assert item.condition is held[item.alarm.id]

    @rule(name=NAMES, old=st.booleans())
    def acknowledge(self, name: str, old: bool) -> None:
        before = self.bench.shown(name)
        past = self.past[name]
        occurrence = past[0] if old and past else before.occurrence
        try:
            self.note(self.bench.acknowledge(name=name, occurrence=occurrence))
        except ActionRefusedError as refused:
            assert self.bench.shown(name) == before
            if refused.refusal is Refusal.WRONG_OCCURRENCE:
                assert occurrence != before.occurrence
        else:
            if occurrence != before.occurrence:
                assert self.bench.shown(name) == before  # acknowledged once already
            assert self.bench.acknowledge(name=name, occurrence=occurrence) == ()

    @rule(name=NAMES, duration=st.sampled_from([1.0, 10.0, 30.0]))
    def shelve(self, name: str, duration: float) -> None:
        self.note(self.bench.shelve(name=name, duration=duration))
        self.shelved_at[name] = self.bench.at

    @rule(
        name=NAMES,
        kind=st.sampled_from(
            [
                ActionKind.UNSHELVE,
                ActionKind.RESET,
                ActionKind.REMOVE_FROM_SERVICE,
                ActionKind.RETURN_TO_SERVICE,
            ]
        ),
    )
    def ask(self, name: str, kind: ActionKind) -> None:
        before = self.bench.engine.save()
        try:
            self.note(self.bench.act(kind, name=name, comment="because"))
        except ActionRefusedError:
            assert self.bench.engine.save() == before

    @rule()
    def restore_is_the_identity(self) -> None:
        saved = self.bench.engine.save()
        copy = AlarmEngine(UNIT, ALARMS, write)
        at = self.bench.at
        copy.restore(json.loads(json.dumps(saved)), time=START + at, monotonic=self.bench.boot + at)
        for before, after in zip(self.bench.engine.snapshot(), copy.snapshot(), strict=True):
            assert (after.state, after.condition, after.occurrence, after.acknowledgement) == (
                before.state,
                before.condition,
                before.occurrence,
                before.acknowledgement,
            )
        self.bench.engine = copy

    @invariant()
    def the_condition_explains_the_state(self) -> None:
        for item in self.bench.engine.snapshot():
            if item.state in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}:
                assert item.condition
            elif item.state not in HIDDEN:
                assert not item.condition
            assert (item.occurrence != "") is item.state.annunciated

    @invariant()
    def only_the_latching_latch_and_only_their_rules_suppress(self) -> None:
        latched = {AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED}
        for item in self.bench.engine.snapshot():
            assert item.state not in latched or item.alarm.id == "latching"
            assert item.state is not AlarmState.RETURNED_UNACKNOWLEDGED or item.alarm.id != "latching"
            assert not item.suppression or item.alarm.id in {"by_state", "suppressing", "explained"}

    @invariant()
    def shelving_always_ends(self) -> None:
        for item in self.bench.engine.snapshot():
            if item.shelf is not None:
                assert item.shelf.until_monotonic <= self.bench.boot + self.bench.at + LONGEST_SHELVING

    def teardown(self) -> None:
        self.note(self.bench.scan(self.bench.at + LONGEST_SHELVING, 70.0))
        assert all(item.shelf is None for item in self.bench.engine.snapshot())


def test_random_operation() -> None:
    run_state_machine_as_test(
        AlarmMachine, settings=settings(max_examples=25, stateful_step_count=30, deadline=None)
    )


@pytest.mark.nightly
@pytest.mark.timeout(1800)
def test_random_operation_at_length() -> None:
    run_state_machine_as_test(
        AlarmMachine, settings=settings(max_examples=10_000, stateful_step_count=15, deadline=None)
    )
