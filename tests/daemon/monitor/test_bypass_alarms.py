"""The bypass takes no alarm away that is still meant."""

from __future__ import annotations

from config.site import DehydrationUnit, Site
from daemon.model import AlarmState
from tests.daemon.monitor.plant import make_site
from tests.daemon.monitor.story import steps


def with_bypass() -> tuple[Site, DehydrationUnit]:
    return make_site({"bypass_open": 'type = "bool", bit = 1'})


def test_a_pump_that_stops_while_the_bypass_is_open_is_told_and_stays_told() -> None:
    found = steps(
        *with_bypass(),
        lambda at: {"bypass_open": 1.0, "stroke_count": 1000.0 + min(at, 600.0) // 4},
        1200,
    )
    ((at, step),) = [(at, step) for at, step in found if step.alarm == "pump_stopped"]
    assert 600.0 < at < 700.0
    assert step.state is AlarmState.UNACKNOWLEDGED
