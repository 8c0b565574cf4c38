"""The bypass takes no alarm away that is still meant."""

from __future__ import annotations

from config.site import DehydrationUnit, Site
from daemon.model import AlarmState
from tests.daemon.monitor.plant import make_site
from tests.daemon.monitor.story import Story, first_comings, steps


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


def came(story: Story, seconds: int) -> dict[str, float]:
    return {name: at for name, (at, _) in first_comings(*with_bypass(), story, seconds, period=4).items()}


def test_a_bypass_that_leaves_closed_in_service_is_told_within_two_minutes_and_once() -> None:
    found = came(lambda at: {"bypass_open": float(at >= 600.0)}, 600 + 4500)
    assert 600.0 < found["bypass_opened_in_service"] <= 720.0
    assert "bypass_left_open" not in found  # explained by the other


def test_a_start_up_that_takes_long_to_close_its_bypass_is_told_as_such() -> None:
    found = came(lambda at: {"bypass_open": 1.0, "gas_rate": 0.0 if at < 120.0 else 1.64}, 4500)
    assert "bypass_opened_in_service" not in found
    assert "bypass_left_open" in found
