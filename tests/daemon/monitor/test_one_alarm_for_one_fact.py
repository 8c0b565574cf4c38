"""One fact is one alarm: the more urgent of two takes the other away."""

from __future__ import annotations

import pytest

from config.site import DehydrationUnit, Site
from daemon.model import AlarmState
from daemon.monitor.outlook.start_up import StartUpWatch
from tests.daemon.monitor.plant import NORMAL, make_site
from tests.daemon.monitor.story import Story, first_comings, kelvin, steps
from tests.daemon.monitor.test_outlook import start_up, view

LEVEL = {"reboiler_level": 'type = "float32", unit = "%", range = [0, 100]'}


def shown(site: Site, unit: DehydrationUnit, story: Story, seconds: int) -> set[str]:
    """The alarms of the reboiler that are shown at the end."""
    last = {step.alarm: step.state for _, step in steps(site, unit, story, seconds, period=4)}
    return {
        name
        for name, state in last.items()
        if state is AlarmState.UNACKNOWLEDGED and name.startswith(("reboiler", "burner"))
    }


@pytest.mark.parametrize(
    ("end", "left"), [(410.0, "reboiler_temperature_high_high"), (403.0, "reboiler_temperature_high")]
)
def test_overheating_is_one_alarm_at_a_time(end: float, left: str) -> None:
    def story(at: float) -> dict[str, float]:
        return {"reboiler_temperature": kelvin(min(385.0 + max(0.0, at - 300.0) / 20.0, end))}

    assert shown(*make_site(), story, 1000) == {left}


def with_level() -> tuple[Site, DehydrationUnit]:
    site, unit = make_site(LEVEL)
    unit = unit.model_copy(update={"reboiler": unit.reboiler.model_copy(update={"least_level": 0.4})})
    return site.model_copy(update={"units": (unit,)}), unit


def test_a_level_lost_while_firing_is_the_levels_alarm_alone() -> None:
    found = first_comings(
        *with_level(), lambda at: {"reboiler_level": max(0.2, 0.6 - max(0.0, at - 60.0) * 0.004)}, 240
    )
    assert {"reboiler_level_low", "burner_lit_without_level"} & found.keys() == {"reboiler_level_low"}


def test_a_burner_lit_over_a_level_that_is_low_already_is_a_fact_of_its_own() -> None:
    found = first_comings(
        *with_level(),
        lambda at: {**NORMAL, "reboiler_level": 0.2, "gas_rate": 0.0, "burner_on": float(at >= 120.0)},
        240,
    )
    assert found["reboiler_level_low"][0] < 60.0
    assert 120.0 < found["burner_lit_without_level"][0] < 150.0


def lit(watch: StartUpWatch, at: float, burner: float, level: float) -> float | None:
    found = watch.results(view(at, burner_on=burner, reboiler_level=level))
    return found["fired_without_level"].value


def test_lit_lasts_until_the_burner_is_off_or_the_level_is_back() -> None:
    watch = start_up(0.4)
    story = [(1.0, 0.2), (0.0, 0.2), (1.0, 0.2), (1.0, 0.2), (0.0, 0.2), (1.0, 0.2), (1.0, 0.5), (1.0, 0.2)]
    assert [lit(watch, 5.0 * at, *now) for at, now in enumerate(story)] == [0, 0, 1, 1, 0, 1, 0, 0]
