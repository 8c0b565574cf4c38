"""The first request after a restart is refused: what the restart itself has to tell still comes."""

from __future__ import annotations

import pytest

from config.alarm_set import resolve_alarms
from config.daemon_alarms import DAEMON, resolve_daemon_alarms
from config.loader import unit_context
from config.units import display_units
from daemon.model import ActionKind, AlarmState, AlarmTransition, OperatorAction
from daemon.monitor.alarms.actions import ActionRefusedError
from daemon.monitor.daemon_monitor import DaemonFigures, DaemonMonitor
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import NORMAL, START, make_scan, make_site

HOT = {**NORMAL, "reboiler_temperature": 485.0}
END = "removed from configuration"


def request_for_nothing(unit: str, at: float) -> OperatorAction:
    return OperatorAction(
        ActionKind.ACKNOWLEDGE, unit, "no_such_alarm", "ann", START + at, at, occurrence="x"
    )


def events(transitions: tuple[AlarmTransition, ...]) -> set[tuple[str, str]]:
    return {(one.alarm, one.event) for one in transitions}


def test_a_unit_still_ends_the_alarms_that_its_site_file_has_no_longer() -> None:
    site, unit = make_site()
    alarms = resolve_alarms(site, unit).alarms
    before = UnitMonitor(site, unit, alarms)
    outcomes = [before.step(make_scan(n, 1000.0 + n, {**HOT, "stroke_count": n // 5})) for n in range(120)]
    raised = {
        one.alarm for outcome in outcomes for one in outcome.alarms if one.state is AlarmState.UNACKNOWLEDGED
    }
    assert "reboiler_temperature_high_high" in raised
    after = UnitMonitor(site, unit, [one for one in alarms if one.id not in raised])
    after.restore(before.save())
    with pytest.raises(ActionRefusedError):
        after.apply(request_for_nothing(unit.name, 1120.5))
    told = events(after.step(make_scan(121, 1121.0, {**NORMAL, "stroke_count": 24})).alarms)
    assert told >= {(alarm, END) for alarm in raised}
    assert not events(after.step(make_scan(122, 1122.0, {**NORMAL, "stroke_count": 24})).alarms) & told


def test_the_daemon_still_ends_an_alarm_of_its_own_that_is_gone() -> None:
    site, _ = make_site(rest='[alarms.journal_failing]\non_delay = "0 s"\n')
    alarms, display = resolve_daemon_alarms(site).alarms, display_units("us", unit_context(site))
    before = DaemonMonitor(alarms, display)
    failing = DaemonFigures(units={"unit-1": ""}, journal="disk full")
    raised = before.step(failing, START, 0.0).alarms + before.step(failing, START + 1.0, 1.0).alarms
    assert [one.alarm for one in raised] == ["journal_failing"]
    after = DaemonMonitor([one for one in alarms if one.id != "journal_failing"], display)
    after.restore(before.save())
    with pytest.raises(ActionRefusedError):
        after.apply(request_for_nothing(DAEMON, 1.5))
    assert events(after.step(DaemonFigures(units={"unit-1": ""}), START + 2.0, 2.0).alarms) == {
        ("journal_failing", END)
    }
