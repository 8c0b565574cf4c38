"""A lower stall rate that a site accepts holds on its days and on no other."""

from __future__ import annotations

import datetime
import json

import pytest

from config.alarm_set import resolve_alarms
from daemon.model import Result, Status
from daemon.monitor.stall import AcceptanceWatch, lowest_rate, stall_rate
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import NORMAL, make_scan, make_site

ACCEPTED = """
[units.pumps.accepted_stall_rate]
stroke_rate = "4 /min"
accepted_by = "A. Engineer"
accepted_on = 2026-03-01
expires_on = 2026-06-30
reason = "dew point held for a year at 4 /min"
"""


def posix(text: str) -> float:
    return datetime.datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize(
    ("time", "per_minute"),
    [
        ("2026-02-28T23:59:59+00:00", 6.0),
        ("2026-03-01T00:00:00+00:00", 4.0),
        ("2026-06-30T23:59:59+00:00", 4.0),
        ("2026-07-01T00:00:00+00:00", 6.0),
        ("2026-06-30T23:59:59-07:00", 6.0),  # days are UTC days
    ],
)
def test_days(time: str, per_minute: float) -> None:
    _, unit = make_site(pump=ACCEPTED)
    found = stall_rate(unit.pump_in_service, posix(time))
    assert found.value == pytest.approx(per_minute / 60.0)
    assert lowest_rate(unit.pump_in_service) == pytest.approx(4.0 / 60.0)


def test_without_one_the_pumps_own_rate_counts() -> None:
    _, unit = make_site()
    assert stall_rate(unit.pump_in_service, posix("2026-04-01T00:00:00+00:00")).value == pytest.approx(0.1)


def acceptance(rate_per_minute: float, time: str, minutes: int = 30) -> tuple[list[float | None], int]:
    """A pump at a rate: what is said of the acceptance's end, and how often it is noted; with restarts."""
    _, unit = make_site(pump=ACCEPTED)
    watch = AcceptanceWatch(unit.pump_in_service)
    said, noted = [], 0
    for minute in range(minutes):
        found, note = watch.look(posix(time), 60.0 * minute, Result(rate_per_minute / 60.0, 0.0, Status.GOOD))
        assert found is not None
        said.append(found.value)
        noted += note
        saved = json.loads(json.dumps(watch.save()))
        watch = AcceptanceWatch(unit.pump_in_service)
        watch.restore(saved)
    return said, noted


@pytest.mark.parametrize(
    ("rate", "time", "said", "noted"),
    [
        (5.0, "2026-04-01T00:00:00+00:00", 0.0, 1),  # by the acceptance: noted once, no alarm
        (5.0, "2026-05-30T23:00:00+00:00", 0.0, 1),  # 31 days left
        (5.0, "2026-05-31T01:00:00+00:00", 1.0, 1),  # 30 days left
        (5.0, "2026-07-01T01:00:00+00:00", 0.0, 0),  # over: the pump's own rate counts, with its own alarm
        (8.0, "2026-06-20T00:00:00+00:00", 0.0, 0),  # the pump does not need it
        (0.0, "2026-06-20T00:00:00+00:00", 0.0, 0),
    ],
)
def test_a_pump_below_its_makers_rate_is_noted_once_and_told_before_the_end(
    rate: float, time: str, said: float, noted: int
) -> None:
    found, notes = acceptance(rate, time)
    assert set(found) == {said}
    assert notes == noted


def test_a_change_of_speed_on_the_way_is_not_noted() -> None:
    assert acceptance(5.0, "2026-04-01T00:00:00+00:00", minutes=15)[1] == 0


def test_an_unknown_rate_says_nothing() -> None:
    _, unit = make_site(pump=ACCEPTED)
    bad = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, "no strokes")
    found, note = AcceptanceWatch(unit.pump_in_service).look(posix("2026-06-20T00:00:00+00:00"), 0.0, bad)
    assert found is not None
    assert (found.value, found.reason, note) == (None, "stroke_rate: no strokes", False)
    _, plain = make_site()
    assert AcceptanceWatch(plain.pump_in_service).look(0.0, 0.0, bad) == (None, False)


def test_a_unit_that_runs_by_its_acceptance_has_an_event_and_no_standing_alarm() -> None:
    site, unit = make_site(
        pump=ACCEPTED.replace("2026-06-30", "2030-06-30").replace("2026-03-01", "2025-03-01")
    )
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    events: list[str] = []
    for at in range(0, 3600, 12):  # a stroke every 12 s: five a minute
        outcome = monitor.step(make_scan(at // 12, at + 10.0, {**NORMAL, "stroke_count": 1000.0 + at // 12}))
        events += [event.message for event in outcome.events if event.kind == "stall rate"]
    accepted = "accepted by A. Engineer until 2030-06-30: dew point held for a year at 4 /min"
    assert events == [f"the pump runs below its maker's stall rate of 6.00 /min, {accepted}"]
    assert not {one.alarm.id for one in monitor.alarms() if one.condition} & {
        "stall_rate_acceptance_ends",
        "pump_below_stall_rate",
    }
