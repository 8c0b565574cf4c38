"""A deadband as a share of the set point fits a unit of any size."""

from __future__ import annotations

import pytest

from config.alarm_set import packaged_alarms, resolve_alarms
from config.alarms import ResolvedAlarm, SetPoint
from config.errors import ConfigError
from daemon.monitor.alarms.messages import definition
from tests.daemon.alarms.alarm_kit import Bench, alarm, result, words, write
from tests.daemon.monitor.plant import make_site


def resolved(rest: str) -> dict[str, ResolvedAlarm]:
    site, unit = make_site(rest=rest)
    return {one.id: one for one in resolve_alarms(site, unit).alarms}


@pytest.mark.parametrize("capacity", [0.5, 50.0])  # two contactors, one a hundred times the other
def test_the_band_follows_the_size_of_the_unit(capacity: float) -> None:
    near = alarm(setpoint=SetPoint(0.0, "capacity", factor=0.9), deadband_share=0.02)
    bench = Bench(near)
    bench.results["capacity"] = result(capacity)
    limit = 0.9 * capacity
    assert words(bench.scan(1, 1.001 * limit)) == [("level_high", "condition true", "UNACK")]
    assert bench.scan(2, 0.985 * limit) == ()  # within 2 %
    assert [step.state.value for step in bench.scan(3, 0.979 * limit)] == ["RTNUN"]
    assert "goes 2 % of the set point back past it" in definition(near, write)


def test_a_site_writes_it_and_the_packaged_set_uses_it_where_sizes_differ() -> None:
    found = resolved('[alarms.pump_over_speed]\ndeadband = "1.5 % of the set point"\n')["pump_over_speed"]
    assert (found.deadband, found.deadband_share) == (0.0, 0.015)
    for name in ("contactor_near_flooding", "circulation_below_tray_seal"):
        assert str(packaged_alarms()[name].deadband).endswith("% of the set point")


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("reboiler_temperature_high", "2 % of the set point", "has no meaning"),
        ("dew_point_margin_low", "2 % of the set point", "has no meaning"),
        ("pump_over_speed", "2 %", "stroke rate"),  # a share of what?
        ("pump_over_speed", "200 % of the set point", "stroke rate"),
    ],
)
def test_a_share_without_a_meaning_is_refused(name: str, text: str, message: str) -> None:
    with pytest.raises(ConfigError, match=message) as caught:
        resolved(f'[alarms.{name}]\ndeadband = "{text}"\n')
    assert caught.value.problems[0].key == f"alarms.{name}.deadband"
