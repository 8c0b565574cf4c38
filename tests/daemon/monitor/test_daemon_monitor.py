"""The daemon's own alarms: figures in, transitions out."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from config.alarm_set import alarm_problems, packaged_alarms
from config.alarms import LIMIT_CONDITIONS
from config.daemon_alarms import DAEMON, FIGURES, packaged_daemon_alarms, resolve_daemon_alarms
from config.errors import ConfigError
from config.loader import parse_site, unit_context
from config.units import display_units
from daemon.model import ActionKind, AlarmState, AlarmTransition, OperatorAction
from daemon.monitor.daemon_monitor import RECENT, DaemonFigures, DaemonMonitor
from daemon.monitor.unit_monitor import SavedStateError
from tests.daemon.monitor.plant import START, make_site, site_text

SINK = """
[[sinks]]
kind = "log"
name = "log"
"""
WELL = DaemonFigures(
    units={"unit-1": ""}, sinks={"log": ""}, disk_free=0.5, clock_synchronised=True, restarts={"api": (0, "")}
)
QUICK = "".join(
    f'[alarms.{name}]\non_delay = "0 s"\noff_delay = "0 s"\n' for name in packaged_daemon_alarms()
)


def make_monitor(rest: str = QUICK) -> DaemonMonitor:
    site, _ = make_site(rest=rest + SINK)
    return DaemonMonitor(resolve_daemon_alarms(site).alarms, display_units("us", unit_context(site)))


class Box:
    """Time that goes on, and one monitor."""

    def __init__(self, monitor: DaemonMonitor) -> None:
        self.monitor = monitor
        self.at = 0.0
        self.wall = START

    def look(self, seconds: float = 1.0, **trouble: Any) -> tuple[AlarmTransition, ...]:
        self.at += seconds
        self.wall += seconds
        figures = dataclasses.replace(WELL, **trouble)
        return self.monitor.step(figures, self.wall, self.at).alarms

    def standing(self) -> set[str]:
        return {one.alarm.id for one in self.monitor.alarms() if one.condition}


def test_a_daemon_that_is_well_says_nothing() -> None:
    box = Box(make_monitor())
    assert [box.look() for _ in range(3)] == [(), (), ()]
    assert len(box.monitor.alarms()) == len(packaged_daemon_alarms())


@pytest.mark.parametrize(
    ("trouble", "alarm", "words"),
    [
        ({"units": {"unit-1": "ValueError: x"}}, "evaluation_failing.unit-1", "unit-1: ValueError: x"),
        ({"sinks": {"log": "refused"}}, "delivery_failing.log", "Alarms are not delivered: log: refused"),
        ({"load": "every second scan"}, "overload", "does not keep up: every second scan"),
        ({"scan_lateness": 3.0}, "scan_late", "3.0 s, high limit 2.0 s"),
        ({"journal": "disk full"}, "journal_failing", "cannot be written: disk full"),
        ({"dropped": 7}, "records_dropped", "were dropped: 7, high limit 0"),
        ({"disk_free": 0.05}, "disk_low", "5.0 %, low limit 10.0 %"),
        ({"disk_free": 0.01}, "disk_very_low", "1.0 %, low limit 2.0 %"),
        ({"clock_synchronised": False}, "clock_unsynchronised", "clock synchronised: no"),
        ({"restarts": {"api": (1, "OSError: x")}}, "task_restarted", "api was restarted once: OSError: x"),
        ({"archive": "no room"}, "archive_failing", "cannot be written: no room"),
    ],
)
def test_each_trouble_is_one_alarm_and_goes_with_it(trouble: dict[str, Any], alarm: str, words: str) -> None:
    box = Box(make_monitor())
    box.look()
    raised = [step for step in box.look(**trouble) if step.state is AlarmState.UNACKNOWLEDGED]
    assert [step.alarm for step in raised] == [alarm]
    assert words in raised[0].message
    assert raised[0].unit == DAEMON
    box.look(RECENT + 1.0)
    assert box.standing() == set()


def test_restarts_and_drops_count_while_they_are_recent_and_not_since_the_start() -> None:
    box = Box(make_monitor())
    box.look(restarts={"api": (1, "OSError: x")}, dropped=5)
    assert box.standing() == {"task_restarted", "records_dropped"}
    again = {"restarts": {"api": (1, "OSError: x")}, "dropped": 5}
    box.look(RECENT - 2.0, **again)
    assert box.standing() == {"task_restarted", "records_dropped"}
    box.look(3.0, **again)
    assert box.standing() == set()


def test_a_stepped_clock_is_told_with_its_size_and_delays_go_on_by_the_other_clock() -> None:
    box = Box(make_monitor())
    box.look()
    box.wall -= 3600.0
    (raised,) = box.look()
    assert raised.alarm == "clock_stepped"
    assert raised.value == pytest.approx(3600.0)
    box.look(RECENT + 1.0)
    assert box.standing() == set()


def test_what_this_box_cannot_tell_neither_comes_nor_goes() -> None:
    box = Box(make_monitor())
    assert box.look(disk_free=None, clock_synchronised=None) == ()
    box.look(clock_synchronised=False)
    assert box.look(clock_synchronised=None) == ()
    assert box.standing() == {"clock_unsynchronised"}


def test_acknowledged_and_shelved_alarms_outlive_a_restart() -> None:
    box = Box(make_monitor())
    (raised,) = box.look(journal="disk full")
    request = OperatorAction(
        ActionKind.ACKNOWLEDGE,
        DAEMON,
        "journal_failing",
        "Ada",
        box.wall,
        box.at,
        occurrence=raised.occurrence,
    )
    (done,) = box.monitor.apply(request)
    assert done.state is AlarmState.ACKNOWLEDGED
    saved = box.monitor.noted(request, (done,)).checkpoint
    assert saved is not None
    after = Box(make_monitor())
    after.wall, after.at = box.wall + 60.0, 10.0
    after.monitor.restore(saved)
    assert after.look(journal="disk full") == ()
    states = {one.alarm.id: one.state for one in after.monitor.alarms()}
    assert states["journal_failing"] is AlarmState.ACKNOWLEDGED
    (gone,) = after.look()
    assert gone.state is AlarmState.NORMAL


@pytest.mark.parametrize("text", ["", "{}", '{"version": 99}', '{"version": 1, "alarms": 3}', "[]"])
def test_a_state_that_cannot_be_read_is_refused(text: str) -> None:
    monitor = make_monitor()
    with pytest.raises(SavedStateError, match="saved state of the daemon"):
        monitor.restore(text)
    assert Box(monitor).look() == ()


def test_a_site_changes_and_switches_off_like_any_alarm() -> None:
    rest = '[alarms.disk_low]\nsetpoint = "30 %"\n[alarms.overload]\nenabled = false\n'
    site, _ = make_site(rest=rest + SINK)
    found = resolve_daemon_alarms(site)
    alarms = {one.id: one for one in found.alarms}
    setpoint = alarms["disk_low"].setpoint
    assert setpoint is not None
    assert setpoint.offset == pytest.approx(0.3)
    assert [one.alarm for one in found.switched_off] == ["overload"]
    assert list(alarm_problems(site)) == []


def test_mistakes_are_named_with_their_place() -> None:
    with pytest.raises(ConfigError, match=r'alarms\.disk_low\.setpoint: "degF" is no unit of fraction'):
        make_site(rest='[alarms.disk_low]\nsetpoint = "30 degF"\n')
    with pytest.raises(ConfigError, match="own alarms stand"):
        parse_site(site_text().replace('name = "unit-1"', 'name = "daemon"'), "test.toml")


@pytest.mark.parametrize("name", packaged_daemon_alarms())
def test_every_packaged_alarm_is_for_an_operator(name: str) -> None:
    alarm = packaged_daemon_alarms()[name]
    assert alarm.input in FIGURES.keys() | {"every unit", "every sink"}
    assert alarm.alarm_class == "system"
    for text in (alarm.title, alarm.consequence, alarm.response, alarm.basis, *alarm.causes):
        assert text[0].isupper()
        assert len(text) < 320
    if alarm.time_to_respond > 1800:
        assert alarm.priority == "low"
    assert (alarm.condition in LIMIT_CONDITIONS) == (alarm.setpoint is not None)


def test_no_alarm_of_the_daemon_shares_a_name_with_one_of_a_unit() -> None:
    assert not packaged_daemon_alarms().keys() & packaged_alarms().keys()
