"""A reboiler that overheats out of its thermometer's range, and a thermometer that burns out, end to end."""

from __future__ import annotations

from collections.abc import Callable

from daemon.model import AlarmTransition, Priority
from tests.daemon.monitor.plant import make_site
from tests.daemon.monitor.story import first_comings, kelvin

SHORT = {"reboiler_temperature": 'type = "float32", unit = "degF", range = [0, 396]'}
"""Bad above 405.9 degF (2.5 % of the span beyond its end): two degrees over high-high at 404 degF."""


def raised(temperature: Callable[[float], float]) -> dict[str, AlarmTransition]:
    """Run a unit that dries, its reboiler as given [degF], and return the first coming of every alarm."""
    found = first_comings(
        *make_site(SHORT), lambda at: {"reboiler_temperature": kelvin(temperature(at))}, 600
    )
    return {name: step for name, (_, step) in found.items()}


def test_high_high_comes_though_the_value_leaves_its_range_within_the_on_delay() -> None:
    # 0.5 degF/s from 404 degF: four seconds to 405.9 degF, and the on-delay is five.
    found = raised(lambda at: min(385.0 + 0.5 * max(0.0, at - 120.0), 425.0))
    assert "reboiler_temperature_high_high" in found
    assert "reads above its gross range" in found["reboiler_temperature_high_high"].message


def test_a_thermometer_that_burns_out_upscale_is_the_instruments_alarm_and_no_verdict() -> None:
    found = raised(lambda at: 385.0 if at < 120 else 800.0)
    assert "reboiler_temperature_high_high" not in found
    bad = found["instrument_bad.reboiler_temperature"]
    assert bad.priority is Priority.HIGH
    assert (
        "truly so high, or a failed instrument; blind meanwhile: Reboiler temperature high-high, "
        in bad.message
    )
