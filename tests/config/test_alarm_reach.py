"""A set point that no value of its signal can reach is told: an error of a safety alarm, else a doubt."""

from __future__ import annotations

import pytest

from config.doubts import doubts
from config.errors import ConfigError
from tests.daemon.monitor.plant import make_site

REBOILER = "reboiler_temperature"


def reboiler(limits: str, more: str = "") -> dict[str, str]:
    return {REBOILER: f'type = "float32", unit = "degF", range = {limits}{more}'}


def told(signals: dict[str, str], rest: str = "") -> list[str]:
    return [reason for _, reason in doubts(make_site(signals, rest=rest)[0])]


@pytest.mark.parametrize(
    ("limits", "more", "key"),
    [
        ("[0, 390]", "", "range"),  # bad above 399.75 degF, by 2.5 % of 390 degF
        ("[32, 500]", ", checks = { gross_range = [0, 404] }", "checks.gross_range"),
    ],
)
def test_a_safety_alarm_that_could_never_come_is_an_error_with_its_line(
    limits: str, more: str, key: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        make_site(reboiler(limits, more))
    (problem,) = caught.value.problems
    assert problem.key == f"units[0].signals.{REBOILER}.{key}"
    assert problem.file == "test.toml"
    assert problem.line > 0
    assert "reboiler_temperature_high_high at 404.0" in problem.message
    assert "could never come" in problem.message
    assert "[alarms.reboiler_temperature_high_high]" in problem.fix


def test_a_low_safety_alarm_below_its_range_too() -> None:
    level = {"contactor_level": 'type = "float32", unit = "%", range = [20, 100]'}
    with pytest.raises(
        ConfigError, match=r"below 18\.0 % count as bad, so the safety alarm contactor_level_low"
    ):
        make_site(level)


def test_within_the_over_range_it_comes_only_from_a_transmitter_that_goes_on() -> None:
    # 32 to 400 degF: bad above 409.2 degF, so 404 degF is reached, but only beyond the range.
    high_high, high = told(reboiler("[32, 400]"))
    assert "reboiler_temperature_high_high at 404.0" in high_high
    assert "only if the transmitter goes on" in high_high
    assert "reboiler_temperature_high at 400.0" in high


def test_another_alarm_out_of_reach_is_a_doubt() -> None:
    (only,) = told({"surge_level": 'type = "float32", unit = "%", range = [0, 80]'})
    assert only == "surge_level_high at 90.0 %, but surge_level counts as bad above 82.0 %: it never comes"


@pytest.mark.parametrize("limits", ["[0, 500]", "[0, 410]"])
def test_a_range_beyond_every_set_point_is_told_of_nothing(limits: str) -> None:
    assert told(reboiler(limits)) == []


def test_a_set_point_moved_within_the_range_is_in_reach() -> None:
    rest = "".join(
        f'[alarms.{name}]\nsetpoint = "{limit} degF"\nbasis = "transmitter, J. Doe, 2026-01-15"\n'
        for name, limit in (("reboiler_temperature_high_high", 395), ("reboiler_temperature_high", 392))
    )
    assert told(reboiler("[0, 398]"), rest) == []
