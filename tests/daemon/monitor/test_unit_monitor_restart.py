"""Operators, saved states and restarts: nothing that was decided or under way is forgotten."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.model import (
    ActionKind,
    AlarmState,
    OperatorAction,
    Outcome,
    Status,
)
from daemon.monitor.alarms.actions import ActionRefusedError
from daemon.monitor.unit_monitor import SavedStateError, UnitMonitor
from tests.daemon.monitor.plant import START, make_scan
from tests.daemon.monitor.unit_kit import disturbed, make_monitor, run, values_at


class TestOperators:
    def raised(self, monitor: UnitMonitor) -> Outcome:
        hot: dict[str, Any] = {"reboiler_temperature": 485.0, "reboiler_shutdown_temperature": 485.0}
        run(monitor, 0, 100)
        return next(outcome for outcome in run(monitor, 100, 400, **hot) if outcome.alarms)

    def action(self, kind: ActionKind, outcome: Outcome, at: float, **more: str | float) -> OperatorAction:
        alarm = outcome.alarms[0]
        return OperatorAction(
            kind,
            "unit-1",
            alarm.alarm,
            "ann",
            START + at,
            at,
            occurrence=alarm.occurrence,
            **more,  # type: ignore[arg-type]
        )

    def test_acknowledged_once_for_all(self) -> None:
        monitor = make_monitor()
        outcome = self.raised(monitor)
        (transition,) = monitor.apply(self.action(ActionKind.ACKNOWLEDGE, outcome, 1400.0))
        assert (transition.state, transition.actor) == (AlarmState.ACKNOWLEDGED, "ann")
        assert monitor.apply(self.action(ActionKind.ACKNOWLEDGE, outcome, 1401.0)) == ()

    def test_refusals_have_a_reason(self) -> None:
        monitor = make_monitor()
        outcome = self.raised(monitor)
        wrong = dataclasses.replace(
            self.action(ActionKind.ACKNOWLEDGE, outcome, 1400.0), occurrence="unit-1.some.1.1"
        )
        with pytest.raises(ActionRefusedError) as refused:
            monitor.apply(wrong)
        assert str(refused.value)

    def test_what_was_acknowledged_and_shelved_is_after_a_reboot(self) -> None:
        """One hour of shelving, most of it away over a reboot: the rest is still shelved, then it ends."""
        monitor = make_monitor()
        outcome = self.raised(monitor)
        shelve = self.action(ActionKind.SHELVE, outcome, 1400.0, duration=3600.0, comment="under repair")
        monitor.apply(shelve)
        after = make_monitor()
        after.restore(monitor.save())
        hot: dict[str, Any] = {"reboiler_temperature": 485.0, "reboiler_shutdown_temperature": 485.0}

        def step(sequence: int, wall: float) -> Outcome:
            uptime = wall - 4000.0  # the box came up 2600 s after the shelving, its clock near zero
            return after.step(make_scan(sequence, uptime, values_at(wall, **hot), time=START + wall))

        first = step(0, 4010.0)
        assert outcome.alarms[0].alarm not in {alarm.alarm for alarm in first.alarms}
        early, late = step(1, 1400.0 + 3595.0), step(2, 1400.0 + 3605.0)
        assert "shelving time is over" not in {alarm.reason for alarm in early.alarms}
        assert "shelving time is over" in {alarm.reason for alarm in late.alarms}

    def test_an_operator_may_come_before_the_first_scan_after_a_restart(self) -> None:
        monitor = make_monitor()
        outcome = self.raised(monitor)
        after = make_monitor()
        after.restore(monitor.save())
        (transition,) = after.apply(self.action(ActionKind.ACKNOWLEDGE, outcome, 1400.5))
        assert transition.state is AlarmState.ACKNOWLEDGED


class TestRestore:
    @pytest.mark.parametrize(
        "text",
        [
            "",
            "{",
            "[]",
            "null",
            '{"version": 1}',
            '{"version": 99, "unit": "unit-1"}',
            '{"version": 1, "unit": "x"}',
        ],
    )
    def test_nonsense_is_refused_and_leaves_a_new_monitor(self, text: str) -> None:
        monitor = make_monitor()
        run(monitor, 0, 50)
        with pytest.raises(SavedStateError):
            monitor.restore(text)
        assert run(monitor, 0, 50) == run(make_monitor(), 0, 50)

    def test_a_part_that_is_broken_is_refused(self) -> None:
        monitor = make_monitor()
        run(monitor, 0, 50)
        state = json.loads(monitor.save())
        for part in ("time", "checks", "strokes", "process", "state", "alarms"):
            with pytest.raises(SavedStateError, match="unit-1"):
                make_monitor().restore(
                    json.dumps({**state, part: {"surprise": 1} if part != "checks" else {"gas_rate": 1}})
                )

    def test_signals_that_came_and_went_since_do_not_matter(self) -> None:
        monitor = make_monitor()
        run(monitor, 0, 100)
        other = make_monitor({"flash_level": 'type = "uint16", unit = "%", range = [0, 100]'})
        other.restore(monitor.save())
        outcome = run(other, 100, 101, flash_level=0.5)[0]
        assert outcome.results["stroke_rate"].value == pytest.approx(0.2, rel=0.02)
        assert outcome.signals["flash_level"].status is Status.GOOD


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10**6), breaks=st.lists(st.integers(1, 89), max_size=5))
def test_a_run_with_restarts_is_the_run_without(seed: int, breaks: list[int]) -> None:
    """Save, throw away, restore between any two scans: every outcome is the same to the last bit."""
    scans = disturbed(seed, 90)
    straight = make_monitor()
    expected = [straight.step(scan) for scan in scans]
    monitor = make_monitor()
    for index, scan in enumerate(scans):
        if index in breaks:
            saved = monitor.save()
            monitor = make_monitor()
            monitor.restore(saved)
        assert monitor.step(scan) == expected[index], index
