"""The whole step: what goes in and comes out, restarts, reboots, stray scans, operators."""

from __future__ import annotations

import dataclasses
import functools
import json
import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.alarm_set import resolve_alarms
from config.alarms import ResolvedAlarm
from config.quantities import RESULT_KINDS
from config.site import DehydrationUnit, Site
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    Link,
    LinkState,
    OperatingState,
    OperatorAction,
    Outcome,
    Quality,
    Reading,
    Result,
    Scan,
    Status,
)
from daemon.monitor.alarms.actions import ActionRefusedError
from daemon.monitor.unit_monitor import CHECKPOINT_PERIOD, SavedStateError, UnitMonitor
from tests.daemon.monitor.plant import DOWN, NORMAL, START, UP, bad, good, make_scan, make_site
from tests.support.narrow import near

SIGNALS = {
    "reboiler_shutdown_temperature": 'type = "float32", unit = "degF", range = [0, 500]',
    "controller_heartbeat": 'type = "uint16"',
    "stroke_rate": 'type = "uint16", unit = "/min", scale = 0.1',
    "outlet_water_content": (
        'controller = "broker", topic = "a", payload = "json", path = "v", time_path = "t", unit = "lb/MMscf"'
    ),
}


@functools.cache
def usual_site() -> tuple[Site, DehydrationUnit, tuple[ResolvedAlarm, ...]]:
    site, unit = make_site(SIGNALS)
    return site, unit, resolve_alarms(site, unit).alarms


def make_monitor(signals: dict[str, str] | None = None, pump: str = "") -> UnitMonitor:
    if signals is None:
        return UnitMonitor(*usual_site())
    site, unit = make_site(signals, pump=pump)
    return UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)


def values_at(second: float, **changes: float | Reading) -> dict[str, float | Reading]:
    """A unit that dries gas at twelve strokes a minute; a heartbeat and an analyzer that live."""
    values: dict[str, float | Reading] = dict(NORMAL)
    values |= {
        "reboiler_shutdown_temperature": 470.0,
        "controller_heartbeat": float(int(second) % 65536),
        "stroke_rate": 0.2,
        "outlet_water_content": 6.5e-5,
        "stroke_count": float(int(second / 5.0) % 65536),
    }
    return values | changes


def run(
    monitor: UnitMonitor,
    begin: int,
    end: int,
    *,
    links: dict[str, Link] | None = None,
    **changes: float | Reading,
) -> list[Outcome]:
    """Step a scan a second."""
    return [
        monitor.step(make_scan(second, 1000.0 + second, values_at(second, **changes), links=links))
        for second in range(begin, end)
    ]


def test_a_unit_in_order_is_all_good_and_silent() -> None:
    outcomes = run(make_monitor(), 0, 150)
    last = outcomes[-1]
    assert last.state is OperatingState.DRYING
    assert all(reading.quality is Quality.GOOD for reading in last.signals.values())
    complaints = {
        name: result.reason
        for name, result in last.results.items()
        if result.quality is not Quality.GOOD and result.status is not Status.BAD_WAITING_FOR_INITIAL_DATA
    }
    assert complaints == {}
    assert set(last.results) <= set(RESULT_KINDS)
    assert last.results["stroke_rate"].value == pytest.approx(0.2, rel=0.02)
    assert [alarm.alarm for outcome in outcomes for alarm in outcome.alarms] == []
    assert last.signals.keys() == values_at(0).keys()


def test_the_way_from_a_hot_reboiler_to_an_alarm_and_back() -> None:
    monitor = make_monitor()
    run(monitor, 0, 100)
    hot: dict[str, Any] = {"reboiler_temperature": 485.0, "reboiler_shutdown_temperature": 485.0}
    raised = [alarm for outcome in run(monitor, 100, 250, **hot) for alarm in outcome.alarms]
    assert "reboiler_temperature_high_high" in {alarm.alarm for alarm in raised}
    shown = {alarm.alarm for alarm in raised if alarm.state is AlarmState.UNACKNOWLEDGED}
    assert shown == {"reboiler_temperature_high_high"}  # which explains the others
    returned = [alarm for outcome in run(monitor, 250, 600) for alarm in outcome.alarms]
    assert {alarm.occurrence for alarm in returned} >= {alarm.occurrence for alarm in raised}


def test_a_stopped_pump_is_called_from_the_time_since_the_last_stroke() -> None:
    monitor = make_monitor({})
    run(monitor, 0, 100)
    outcomes = run(monitor, 100, 300, stroke_count=19.0)
    at = next(o.sequence for o in outcomes if any(a.alarm == "pump_stopped" for a in o.alarms))
    assert outcomes[-1].state is OperatingState.DRYING, (
        "a stopped pump is no reason to suppress its own alarm"
    )
    assert at - 95 <= 60, "the last stroke was at 95 s; no averaging window was waited for"


def test_a_lost_controller_makes_values_uncertain_then_absent_and_one_alarm() -> None:
    monitor = make_monitor({})
    run(monitor, 0, 100)
    frozen = {name: good(value, 1099.0) for name, value in NORMAL.items()}
    frozen["stroke_count"] = good(19.0, 1099.0)
    lost = Link(LinkState.DOWN, 1099.0, 1099.0, "timeout")
    outcomes = run(monitor, 100, 200, links={"plc": lost, "broker": UP}, **frozen)
    assert outcomes[0].signals["gas_rate"].status is Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    assert outcomes[0].results["dew_point_margin"].quality is Quality.UNCERTAIN
    assert outcomes[15].signals["gas_rate"].status is Status.BAD_NO_COMMUNICATION
    assert outcomes[15].results["dew_point_margin"].value is None
    assert (
        outcomes[15].results["dew_point_margin"].reason.endswith("plc is down: timeout; no update for 16 s")
    )
    assert outcomes[-1].state is OperatingState.UNKNOWN
    raised = [alarm.alarm for outcome in outcomes for alarm in outcome.alarms]
    assert len(raised) == 1, raised
    assert "plc" in raised[0]


def test_a_frozen_heartbeat_takes_its_controllers_values_away_and_no_other() -> None:
    monitor = make_monitor()
    run(monitor, 0, 50)
    outcomes = run(monitor, 50, 80, controller_heartbeat=49.0)
    assert outcomes[8].signals["gas_rate"].status is Status.UNCERTAIN_LAST_USABLE_VALUE
    assert outcomes[-1].signals["gas_rate"].status is Status.BAD_DEVICE_FAILURE
    assert "its program stands" in outcomes[-1].signals["gas_rate"].reason
    assert outcomes[-1].signals["outlet_water_content"].status is Status.GOOD


def test_disagreeing_thermometers_are_both_doubtful() -> None:
    monitor = make_monitor()
    outcomes = run(monitor, 0, 100, reboiler_shutdown_temperature=490.0)
    for name in ("reboiler_temperature", "reboiler_shutdown_temperature"):
        assert outcomes[-1].signals[name].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
    assert outcomes[-1].results["lean_mass_fraction"].quality is Quality.UNCERTAIN


def test_events_tell_of_states_and_counter_resets() -> None:
    monitor = make_monitor()
    outcomes = run(monitor, 0, 100)
    assert [event.message for event in outcomes[0].events] == ["unit-1 is drying; it was unknown"]
    (reset,) = run(monitor, 100, 101, stroke_count=0.0)[0].events
    assert reset.kind == "stroke counter reset"
    outcomes = run(monitor, 101, 200, gas_rate=0.0, stroke_count=0.0)
    assert [e.data["state"] for o in outcomes for e in o.events if e.kind == "operating state"] == ["ready"]


def test_a_stepped_clock_is_told_and_changes_nothing_else() -> None:
    monitor = make_monitor()
    run(monitor, 0, 100)
    scan = make_scan(100, 1100.0, values_at(100), time=START + 1100.0 + 3600.0)
    outcome = monitor.step(scan)
    (event,) = outcome.events
    assert (event.kind, event.data) == ("clock", {"step": near(3600.0)})
    assert outcome.alarms == ()


def test_accepted_stall_rate_ends_with_its_day() -> None:
    accepted = """
[units.pumps.accepted_stall_rate]
stroke_rate = "4 /min"
accepted_by = "A. Engineer"
accepted_on = 2025-09-01
expires_on = 2025-10-09
reason = "held the dew point for a year"
"""
    monitor = make_monitor({}, pump=accepted)
    day = 1_760_054_400.0 - START  # 2025-10-10T00:00Z
    before = monitor.step(make_scan(0, 1000.0, values_at(0), time=START + day - 0.5))
    after = monitor.step(make_scan(1, 1001.0, values_at(1), time=START + day + 0.5))
    assert before.results["accepted_stall_rate"].value == pytest.approx(4.0 / 60.0)
    assert after.results["accepted_stall_rate"].value == pytest.approx(0.1)
    assert [event.kind for event in after.events] == ["stall rate"]


def test_a_stray_scan_changes_nothing_and_says_so() -> None:
    monitor, undisturbed = make_monitor(), make_monitor()
    run(monitor, 0, 100)
    run(undisturbed, 0, 100)
    stray = monitor.step(make_scan(42, 1042.0, values_at(42)))
    assert (stray.signals, stray.results, stray.alarms) == ({}, {}, ())
    assert [event.kind for event in stray.events] == ["scan out of order"]
    assert run(monitor, 100, 130) == run(undisturbed, 100, 130)


def test_a_scan_of_another_unit_is_refused() -> None:
    scan = dataclasses.replace(make_scan(0, 0.0, values_at(0)), unit="unit-2")
    with pytest.raises(ValueError, match="a scan of unit-2 came to the monitor of unit-1"):
        make_monitor().step(scan)


def test_checkpoints_come_with_every_transition_and_every_thirty_seconds() -> None:
    outcomes = run(make_monitor(), 0, 200)
    kept = [outcome.sequence for outcome in outcomes if outcome.checkpoint is not None]
    assert kept == list(range(0, 200, int(CHECKPOINT_PERIOD)))
    monitor = make_monitor()
    run(monitor, 0, 100)
    outcomes = run(monitor, 100, 200, reboiler_temperature=485.0, reboiler_shutdown_temperature=485.0)
    assert all(outcome.checkpoint is not None for outcome in outcomes if outcome.alarms or outcome.events)


def test_the_same_scans_make_the_same_outcomes() -> None:
    assert run(make_monitor(), 0, 150) == run(make_monitor(), 0, 150)


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


def disturbed(seed: int, count: int) -> list[Scan]:
    """Scans of a unit to which everything happens: noise, spikes, loss, resets, hot reboiler, shut-in."""
    dice = random.Random(seed)
    count_base, frozen, scans = 65500.0, None, []
    mode: dict[str, float | Reading] = {}
    for second in range(count):
        if dice.random() < 0.03:
            mode = dice.choice(
                [
                    {},
                    {"gas_rate": 0.0},
                    {"reboiler_temperature": 486.0, "reboiler_shutdown_temperature": 486.0},
                    {"reboiler_temperature": bad(1000.0 + second)},
                    {"outlet_water_content": 2e-4},
                    {"burner_on": 0.0, "reboiler_temperature": 420.0},
                ]
            )
        at = 1000.0 + second
        values = values_at(second, **mode)
        values["stroke_count"] = (count_base + second // 5) % 65536
        if dice.random() < 0.01:
            count_base = -float(second // 5)
        if dice.random() < 0.02:
            values["contactor_temperature"] = 350.0
        links = {"plc": UP, "broker": UP}
        if dice.random() < 0.02:
            frozen = second + dice.randint(2, 20)
        if frozen is not None and second < frozen:
            values = {
                name: good(v, 1000.0 + second - 8.0) for name, v in values.items() if isinstance(v, float)
            }
            links["plc"] = DOWN
        scans.append(make_scan(second, at, values, links=links))
    return scans


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


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10**6))
def test_bad_data_never_look_good(seed: int) -> None:
    """Over any story: bad is absent, less than good says why, good is a finite number."""
    monitor = make_monitor()
    for scan in disturbed(seed, 90):
        outcome = monitor.step(scan)
        items: list[Reading | Result] = [*outcome.signals.values(), *outcome.results.values()]
        for item in items:
            assert (item.value is None) is (item.quality is Quality.BAD)
            assert item.reason or item.quality is Quality.GOOD
            assert item.value is None or abs(item.value) < 1e9
        for name, reading in scan.readings.items():
            assert outcome.signals[name].quality >= reading.quality


def test_an_alarm_carries_the_likely_causes_of_what_moves() -> None:
    signals = {
        "filter_differential_pressure": 'type = "float32", unit = "psi"',
        "still_top_temperature": 'type = "float32", unit = "degF"',
        "flash_pressure": 'type = "float32", unit = "psig"',
    }
    site, unit = make_site(signals, without=("burner_on",))
    steady = {name: value for name, value in NORMAL.items() if name != "burner_on"}
    plugged = {"filter_differential_pressure": 9e4, "still_top_temperature": 364.0, "flash_pressure": 4e5}
    clean = {"filter_differential_pressure": 3.5e4, "still_top_temperature": 372.0, "flash_pressure": 4.5e5}
    noise = random.Random(20260101)
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)

    def drive(begin: int, end: int, interval: float, now: dict[str, float]) -> None:
        for second in range(begin, end, 2):
            values = steady | now
            values = {name: value * (1.0 + noise.gauss(0.0, 1e-4)) for name, value in values.items()}
            values["stroke_count"] = float(int(second / interval) % 65536)
            raised.extend(monitor.step(make_scan(second, 1000.0 + second, values)).alarms)

    raised: list[AlarmTransition] = []
    drive(0, 4000, 5.0, clean)
    assert all(one.diagnosis == () for one in monitor.alarms())
    drive(4000, 5200, 16.0, plugged)

    standing = {one.alarm.id: one for one in monitor.alarms() if one.condition}
    assert "pump_below_stall_rate" in standing
    first = standing["pump_below_stall_rate"].diagnosis[0]
    assert first.fault == "plugged strainer or filter"
    assert first.evidence_for == (
        "stroke rate down",
        "flash gas down",
        "still top temperature down",
        "filter pressure drop up",
    )
    assert first.check.startswith("Look at the filter pressure drop")
    told = [step for step in raised if step.causes]
    assert told
    assert {step.state for step in told} == {AlarmState.UNACKNOWLEDGED}
    assert all(cause.evidence_for and cause.check for step in told for cause in step.causes)
    assert not [step for step in raised if step.causes and step.alarm_class in {"instrument", "system"}]
    assert all(one.diagnosis == () for one in monitor.alarms() if not one.condition)
    again = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    again.restore(monitor.save())
    again.step(make_scan(5200, 6200.0, steady | plugged))
    kept = {one.alarm.id: one.diagnosis for one in again.alarms() if one.condition}
    assert kept["pump_below_stall_rate"][0].fault == first.fault
