"""A lower stall rate that a site accepts holds on its days and on no other."""

from __future__ import annotations

import datetime

import pytest

from daemon.monitor.stall import lowest_rate, stall_rate
from tests.daemon.monitor.plant import make_site

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
