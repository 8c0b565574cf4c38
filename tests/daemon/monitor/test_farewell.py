"""A unit or alarm that a new configuration lacks: no alarm that stood stays without an end."""

from __future__ import annotations

import gc
import json
import weakref
from dataclasses import replace
from pathlib import Path

import pytest

from config.alarm_set import resolve_alarms
from config.alarms import AlarmOverride
from config.site import Site
from daemon.journal.journal import Journal
from daemon.model import NO_LONGER_CONFIGURED, ActionKind, AlarmState, OperatorAction, Scan
from daemon.monitor.alarms.engine import Departure
from daemon.monitor.farewell import farewell
from daemon.monitor.unit_monitor import SavedStateError, UnitMonitor
from daemon.parts import departures, monitor_of
from tests.support.demo_site import demo_site
from tests.support.recorded_run import BEGIN

BY_KIM = Departure("removed from the configuration by reload 1234, kim", "kim")


def standing(site: Site) -> UnitMonitor:
    """A monitor that has heard nothing of its controllers: lost links and one shelved alarm."""
    monitor = monitor_of(site, site.units[0])
    for number in range(30):
        monitor.step(Scan("north", number, BEGIN + number, 100.0 + number, {}))
    raised = [one for one in monitor.alarms() if one.state is AlarmState.UNACKNOWLEDGED]
    assert len(raised) > 2
    shelve = OperatorAction(
        ActionKind.SHELVE, "north", raised[0].alarm.id, "ada", BEGIN + 30, 130.0, duration=3600.0, comment="x"
    )
    monitor.apply(shelve)
    return monitor


@pytest.fixture(scope="module")
def site() -> Site:
    return demo_site()


def test_every_alarm_of_a_departed_unit_ends_with_reason_and_actor(site: Site) -> None:
    monitor = standing(site)
    stood = {one.alarm.id: one for one in monitor.alarms() if one.state is not AlarmState.NORMAL}
    outcome = farewell("north", monitor.save(), BEGIN + 40, 140.0, BY_KIM)
    assert outcome is not None
    assert {end.alarm for end in outcome.alarms} == stood.keys()
    for end in outcome.alarms:
        before = stood[end.alarm]
        assert (end.previous, end.state) == (before.state, AlarmState.NORMAL)
        assert (end.event, end.reason, end.actor) == (NO_LONGER_CONFIGURED, BY_KIM.reason, "kim")
        assert (end.priority.value, end.alarm_class) == (before.alarm.priority, before.alarm.alarm_class)
        assert end.message == f"{before.alarm.title}: no longer configured"
        assert end.time == BEGIN + 40
    assert AlarmState.SHELVED in {end.previous for end in outcome.alarms}


def test_a_unit_that_comes_back_begins_with_no_alarm_and_repeats_no_occurrence(site: Site) -> None:
    monitor = standing(site)
    outcome = farewell("north", monitor.save(), BEGIN + 40, 140.0, BY_KIM)
    assert outcome is not None
    assert outcome.checkpoint is not None
    again = monitor_of(site, site.units[0])
    again.restore(outcome.checkpoint)
    steps = again.step(Scan("north", 0, BEGIN + 50, 150.0, {})).alarms
    assert NO_LONGER_CONFIGURED not in {step.event for step in steps}
    assert all(one.shelf is None for one in again.alarms())
    assert farewell("north", outcome.checkpoint, BEGIN + 60, 160.0, BY_KIM) is None


def test_a_state_that_cannot_be_read_is_said() -> None:
    with pytest.raises(SavedStateError, match="cannot be read"):
        farewell("north", json.dumps({"alarms": {"version": 99}}), 0.0, 0.0, BY_KIM)


def test_an_alarm_that_a_reload_takes_away_ends_at_the_next_scan(site: Site) -> None:
    monitor = standing(site)
    name = next(one.alarm.id for one in monitor.alarms() if one.state is AlarmState.UNACKNOWLEDGED)
    off = AlarmOverride(enabled=False, basis="a test")
    without = site.model_copy(update={"alarms": {**site.alarms, name: off}})
    after = UnitMonitor(without, without.units[0], resolve_alarms(without, without.units[0]).alarms)
    after.restore(monitor.save(), BY_KIM)
    steps = after.step(Scan("north", 31, BEGIN + 31, 131.0, {})).alarms
    [end] = [step for step in steps if step.event == NO_LONGER_CONFIGURED]
    assert (end.alarm, end.reason, end.actor) == (name, BY_KIM.reason, "kim")


def test_a_start_without_a_unit_finds_what_it_left(site: Site, tmp_path: Path) -> None:
    outcome = replace(standing(site).step(Scan("north", 40, BEGIN + 41, 141.0, {})), checkpoint="{}")
    journal = Journal.open(tmp_path / "journal.sqlite3", now=BEGIN)
    try:
        journal.store([journal.number(outcome)])
        assert departures(journal, site) == {}
        left = site.model_copy(update={"units": site.units[1:]})
        assert departures(journal, left) == {"north": "{}"}
    finally:
        journal.close()


def test_nothing_keeps_a_replaced_monitor_alive(site: Site) -> None:
    """A daemon collects no cycles of what was built at its start: each reload would leave all monitors."""
    monitor = standing(site)
    gone = weakref.ref(monitor)
    gc.disable()
    try:
        del monitor
        assert gone() is None
    finally:
        gc.enable()


def test_until_a_scan_comes_restored_alarms_are_shown_as_they_stood(site: Site) -> None:
    monitor = standing(site)
    stood = [(one.alarm.id, one.state, one.occurrence) for one in monitor.alarms()]
    after = monitor_of(site, site.units[0])
    after.restore(monitor.save())

    assert [(one.alarm.id, one.state, one.occurrence) for one in after.alarms()] == stood
    after.step(Scan("north", 31, BEGIN + 31, 131.0, {}))
    assert [(one.alarm.id, one.state, one.occurrence) for one in after.alarms()] == stood
