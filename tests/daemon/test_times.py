"""Times as people type them, also where the clocks change."""

from __future__ import annotations

import datetime
import zoneinfo

import pytest

from daemon.times import parse_duration, parse_time, show_time, zone_named

NOW = 1_700_000_000.0
DENVER = zoneinfo.ZoneInfo("America/Denver")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("now", NOW),
        ("-2h", NOW - 7200),
        ("-30 min", NOW - 1800),
        ("-1.5d", NOW - 129600),
        ("2023-11-14T22:13:20Z", NOW),
        ("2023-11-14T15:13:20-07:00", NOW),
        ("2023-11-14T15:13:20", NOW),  # in Denver
        ("2023-11-14", NOW - (15 * 3600 + 13 * 60 + 20)),
    ],
)
def test_a_moment_is_read(text: str, expected: float) -> None:
    assert parse_time(text, NOW, DENVER) == expected


@pytest.mark.parametrize("text", ["", "yesterday", "-2", "-2 moons", "2023-13-01", "2h"])
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="write for example"):
        parse_time(text, NOW, DENVER)


@pytest.mark.parametrize("text", ["2023-11-05T01:30", "2023-03-12T02:30"])  # twice; not at all
def test_an_hour_that_is_double_or_missing_is_not_guessed(text: str) -> None:
    with pytest.raises(ValueError, match="the clocks change; write it with its offset"):
        parse_time(text, NOW, DENVER)


def test_the_days_of_the_change_have_23_and_25_hours() -> None:
    spring = [parse_time(day, NOW, DENVER) for day in ("2023-03-12", "2023-03-13")]
    autumn = [parse_time(day, NOW, DENVER) for day in ("2023-11-05", "2023-11-06")]
    assert (spring[1] - spring[0], autumn[1] - autumn[0]) == (23 * 3600, 25 * 3600)


def test_a_moment_is_shown_with_its_offset() -> None:
    assert show_time(NOW, DENVER) == "2023-11-14T15:13:20-07:00"
    assert show_time(NOW + 0.25, datetime.UTC) == "2023-11-14T22:13:20.250+00:00"


@pytest.mark.parametrize("text", ["0s", "5", "1 fortnight", "-1h", ""])
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no duration"):
        parse_duration(text)


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="is no time zone"):
        zone_named("Mars/Olympus")
