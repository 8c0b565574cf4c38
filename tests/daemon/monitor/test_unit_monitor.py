"""The whole step: what goes in and comes out, stray scans, bad data."""

from __future__ import annotations

import dataclasses
import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.alarm_set import resolve_alarms
from config.quantities import RESULT_KINDS
from daemon.model import (
    AlarmState,
    AlarmTransition,
    Link,
    LinkState,
    OperatingState,
    Quality,
    Reading,
    Result,
    Status,
)
from daemon.monitor.unit_monitor import CHECKPOINT_PERIOD, UnitMonitor
from tests.daemon.monitor.plant import NORMAL, START, UP, good, make_scan, make_site
from tests.daemon.monitor.unit_kit import disturbed, make_monitor, run, values_at
from tests.support.narrow import near


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
