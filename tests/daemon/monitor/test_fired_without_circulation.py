"""A hot reboiler is fired while its pump stands: told, but not of a start-up that heats first."""

from __future__ import annotations

import json

from daemon.model import OperatingState
from daemon.monitor.outlook.start_up import StartUpWatch
from tests.daemon.monitor.test_outlook import SET_POINT, start_up, view


def idle(
    watch: StartUpWatch, at: float, *, strokes: float = 0.0, burner: float | None = 1.0, hot: bool = True
) -> float | None:
    """Look at a shut-in reboiler and return whether it counts as fired without circulation."""
    signals = {"reboiler_temperature": SET_POINT - (0.0 if hot else 40.0)}
    if burner is not None:
        signals["burner_on"] = burner
    found = watch.results(view(at, OperatingState.READY, {"stroke_rate": strokes}, **signals))
    return found["fired_without_circulation"].value


def test_a_start_up_that_heats_before_it_circulates_has_half_an_hour() -> None:
    watch = start_up()
    assert idle(watch, 0.0, hot=False) == 0.0
    assert [idle(watch, at) for at in (4000.0, 5000.0, 5795.0)] == [0.0] * 3
    assert idle(watch, 5805.0) == 1.0
    assert idle(watch, 5810.0, strokes=0.2) == 0.0


def test_a_pump_that_stops_under_a_hot_fire_is_told_at_once_and_one_that_stops_after_the_burner_is_not() -> (
    None
):
    watch = start_up()
    assert idle(watch, 0.0, strokes=0.2) == 0.0
    assert idle(watch, 5.0) == 1.0
    assert idle(watch, 100.0, burner=0.0) == 1.0  # within a thermostat's cycle
    assert idle(watch, 200.0, burner=0.0) == 0.0
    assert idle(watch, 205.0, hot=False) == 0.0
    assert idle(watch, 210.0) == 0.0  # heated anew without having circulated since


def test_without_a_flame_signal_a_reboiler_that_stays_hot_is_fired() -> None:
    watch = start_up()
    idle(watch, 0.0, strokes=0.2, burner=None)
    assert [idle(watch, at, burner=None) for at in (5.0, 1805.0, 1810.0)] == [0.0, 0.0, 1.0]


def test_what_is_known_of_circulation_and_bypass_survives_a_restart() -> None:
    watch, other = start_up(), start_up()
    idle(watch, 0.0, strokes=0.2)
    other.restore(json.loads(json.dumps(watch.save(5.0), allow_nan=False)), 5.0)
    assert idle(other, 10.0) == 1.0
    earlier = {
        key: value
        for key, value in watch.save(5.0).items()
        if key not in {"circulation", "bypass_opened", "lit"}
    }
    third = start_up()
    third.restore(earlier, 5.0)
    assert idle(third, 10.0) == 0.0
