"""A failed instrument is as urgent as the alarms that it makes blind, and names them."""

from __future__ import annotations

import pytest

from config.alarm_set import resolve_alarms
from config.alarms import ResolvedAlarm
from tests.daemon.monitor.plant import make_site

LEVEL = 'type = "float32", unit = "%", range = [0, 100]'
MORE = {
    "contactor_level": LEVEL,
    "surge_level": LEVEL,
    "flash_level": LEVEL,
    "filter_differential_pressure": 'type = "float32", unit = "psi", range = [0, 50]',
    "fuel_rate": 'type = "float32", unit = "MMscfd", range = [0, 1]',
    "lean_glycol_temperature": 'type = "float32", unit = "degF", range = [0, 300]',
}


def alarms(rest: str = "") -> dict[str, ResolvedAlarm]:
    site, unit = make_site(MORE, rest=rest)
    return {alarm.id: alarm for alarm in resolve_alarms(site, unit).alarms}


@pytest.mark.parametrize(
    ("signal", "priority", "minutes"),
    [
        ("reboiler_temperature", "high", 5),  # high-high is a safety alarm with five minutes
        ("contactor_level", "high", 5),
        ("stroke_count", "medium", 10),  # pump stopped: high, but no safety alarm
        ("gas_rate", "medium", 10),  # the margin is calculated from it
        ("surge_level", "medium", 20),
        ("filter_differential_pressure", "low", 60),  # only a low alarm hangs on it
        ("fuel_rate", "low", 60),  # none does
    ],
)
def test_an_instrument_is_as_urgent_as_what_it_blinds(signal: str, priority: str, minutes: int) -> None:
    found = alarms()[f"instrument_bad.{signal}"]
    assert (found.priority, found.time_to_respond) == (priority, 60.0 * minutes)


def test_it_names_what_is_blind_safety_first() -> None:
    found = alarms()["instrument_bad.reboiler_temperature"]
    assert found.blinds[0] == "Reboiler temperature high-high"
    assert {"Reboiler temperature low while circulating", "Dew-point margin gone"} <= set(found.blinds)
    assert "Contactor temperature high" not in found.blinds
    assert f"Blind meanwhile: {'; '.join(found.blinds)}." in found.consequence
    assert alarms()["instrument_bad.fuel_rate"].blinds == ()


def test_an_alarm_whose_set_point_follows_a_signal_is_blind_without_it() -> None:
    found = alarms()["instrument_bad.contactor_temperature"].blinds
    assert {"Lean glycol hot into the contactor", "Contactor near the hydrate temperature"} <= set(found)


def test_a_site_that_has_decided_its_priority_keeps_it() -> None:
    rest = '[alarms."instrument_bad.gas_rate"]\npriority = "low"\nbasis = "site review, J. Doe, 2026-01-15"\n'
    found = alarms(rest)
    assert found["instrument_bad.gas_rate"].priority == "low"
    assert found["instrument_bad.gas_rate"].blinds
    assert found["instrument_bad.contactor_pressure"].priority == "medium"
    everywhere = alarms(rest.replace(".gas_rate", ""))
    assert everywhere["instrument_bad.reboiler_temperature"].priority == "low"


def test_a_raised_alarm_must_be_acknowledged_also_where_low_ones_need_not() -> None:
    found = alarms("[alarms.instrument_bad]\nack_required = false\n")
    assert found["instrument_bad.reboiler_temperature"].ack_required
    assert not found["instrument_bad.fuel_rate"].ack_required
