"""A reboiler that overheats out of its thermometer's range, and a thermometer that burns out, end to end."""

from __future__ import annotations

from collections.abc import Callable

from config.alarm_set import resolve_alarms
from daemon.model import AlarmState, AlarmTransition, Priority
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import NORMAL, make_scan, make_site

SHORT = {"reboiler_temperature": 'type = "float32", unit = "degF", range = [0, 396]'}
"""Bad above 405.9 degF (2.5 % of the span beyond its end): two degrees over high-high at 404 degF."""


def raised(temperature: Callable[[float], float], seconds: int = 600) -> dict[str, AlarmTransition]:
    """Run a unit that dries, its reboiler as given [degF], and return the first coming of every alarm."""
    site, unit = make_site(SHORT)
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    found: dict[str, AlarmTransition] = {}
    for at in range(0, seconds, 2):
        values = {
            **NORMAL,
            "reboiler_temperature": (temperature(at) - 32.0) / 1.8 + 273.15,
            "stroke_count": 1000.0 + at // 4,
        }
        for step in monitor.step(make_scan(at // 2, at + 10.0, values)).alarms:
            if step.state is AlarmState.UNACKNOWLEDGED:
                found.setdefault(step.alarm, step)
    return found


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
