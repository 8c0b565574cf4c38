"""A burner that cycles as usual is no overheating, wherever its thermostat is set; one that sticks is."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator

import pytest

from calc.reboiler import DEGRADATION_TEMPERATURE
from config.alarm_set import resolve_alarms
from config.loader import unit_context
from daemon.fieldsim.design import design_from_unit
from daemon.fieldsim.scenarios import Disturbance, Upset, UpsetKind, combine
from daemon.fieldsim.simulator import FieldUnit, SimulationSettings
from daemon.monitor.alarms.lifecycle import LifeEvent
from daemon.monitor.outlook.forecast import Forecast
from daemon.monitor.outlook.thermostat import HIGHEST, ThermostatCycle
from daemon.monitor.unit_monitor import UnitMonitor
from tests.bench.test_bench_alarm_year import Field, demo_unit
from tests.daemon.monitor.story import kelvin
from tests.daemon.monitor.test_outlook import view

SOON = 900.0
"""The packaged alarm comes when a forecast is nearer than this [s]."""
SET_POINT = 453.15  # 180 degC in the site file


def cycling(
    thermostat: float, dice: random.Random, *, swing: float = 4.0, noise: float = 0.2, start: float = 0.0
) -> Iterator[tuple[float, float]]:
    """A burner that fires below and stops above its thermostat; peaks scatter with the load."""
    at, temperature, firing = start, thermostat, True
    turn = thermostat + swing
    while True:
        at += 5.0
        temperature += 5.0 * (0.016 if firing else -0.010)
        if firing and temperature > turn:
            firing, turn = False, thermostat - swing + dice.gauss(0.0, 0.5)
        elif not firing and temperature < turn:
            firing, turn = True, thermostat + swing + dice.gauss(0.0, 0.5)
        yield at, temperature + dice.gauss(0.0, noise)


def forecasts(forecast: Forecast, source: Iterator[tuple[float, float]], count: int) -> list[float | None]:
    return [
        forecast.results(view(at, reboiler_temperature=temperature))["reboiler_time_to_limit"].value
        for at, temperature in (next(source) for _ in range(count))
    ]


@pytest.mark.parametrize("above", [0.0, 4.0, 12.0, 17.0])
def test_ordinary_cycling_above_the_site_files_set_point_is_never_told(above: float) -> None:
    forecast, dice = Forecast(SET_POINT), random.Random(20260101)
    source = cycling(SET_POINT + above, dice)
    told = [value for value in forecasts(forecast, source, 12000) if value is not None]
    assert min(told) > SOON


@pytest.mark.parametrize("above", [0.0, 12.0])
def test_a_burner_that_sticks_is_told_minutes_before_the_glycol_breaks_down(above: float) -> None:
    forecast, dice = Forecast(SET_POINT), random.Random(20260102)
    source = cycling(SET_POINT + above, dice)
    forecasts(forecast, source, 2000)
    at, temperature = next(source)
    for _ in range(2000):
        at, temperature = at + 5.0, temperature + 5.0 * 0.016
        value = forecast.results(view(at, reboiler_temperature=temperature))["reboiler_time_to_limit"].value
        if value is not None and value <= SOON:
            break
    left = (DEGRADATION_TEMPERATURE - temperature) / 0.016
    assert left > 300.0  # five minutes and more to act
    assert value == pytest.approx(left, rel=0.3)


def test_a_thermostat_set_higher_is_usual_after_some_cycles() -> None:
    forecast, dice = Forecast(SET_POINT), random.Random(20260103)
    source = cycling(SET_POINT, dice)
    forecasts(forecast, source, 3000)
    source = cycling(SET_POINT + 15.0, dice, start=15000.0)
    forecasts(forecast, source, 1500)  # some six cycles
    told = [value for value in forecasts(forecast, source, 6000) if value is not None]
    assert min(told) > SOON


def quarter_hours(middle: float, swing: float, hours: float) -> Iterator[tuple[float, float]]:
    """A sine of 15 minutes about ``middle`` [degF], as an ordinary burner makes."""
    for at in range(0, int(hours * 3600.0), 5):
        yield at, kelvin(middle + swing * math.sin(2.0 * math.pi * at / 900.0))


@pytest.mark.parametrize(
    ("set_point", "swing"), [(395.0, 4.0), (395.0, 5.0), (392.0, 6.0), (398.0, 4.0), (390.0, 5.0)]
)
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_an_ordinary_cycle_near_the_limit_is_never_told_and_a_burner_that_goes_on_is(
    set_point: float, swing: float, noise: float
) -> None:
    forecast, dice = Forecast(kelvin(set_point)), random.Random(20260104)
    told: list[float] = []
    for at, usual in quarter_hours(set_point, swing, 4.0):
        shown = view(at, reboiler_temperature=usual + dice.gauss(0.0, noise))
        value = forecast.results(shown)["reboiler_time_to_limit"].value
        told += [] if value is None else [value]
    assert min(told) > SOON
    temperature = kelvin(set_point)
    while temperature < DEGRADATION_TEMPERATURE:  # as fast as before, and on
        at, temperature = at + 5.0, temperature + 5.0 * 0.01
        value = forecast.results(view(at, reboiler_temperature=temperature))["reboiler_time_to_limit"].value
        if value is not None and value <= SOON:
            break
    assert temperature < DEGRADATION_TEMPERATURE


def test_before_the_first_peak_a_set_point_near_the_limit_has_its_thermostats_band() -> None:
    # 395 degF plus 3 K is 400.4 degF; HIGHEST would be 398.6 degF, below the first ordinary peak.
    assert ThermostatCycle(kelvin(395.0)).top == pytest.approx(kelvin(400.4))
    assert ThermostatCycle(kelvin(403.0)).top == DEGRADATION_TEMPERATURE - 1.0
    assert ThermostatCycle(kelvin(390.0)).top == HIGHEST


def test_one_overheating_that_came_back_is_not_usual_and_a_restart_changes_nothing() -> None:
    cycle, dice = ThermostatCycle(SET_POINT), random.Random(20260105)
    source = cycling(SET_POINT, dice)
    for _ in range(5000):
        cycle.look(*next(source))
    before = cycle.top
    assert before is not None
    at, _ = next(source)
    for step in range(400):
        cycle.look(at + 5.0 * step, SET_POINT + (0.05 * step if step < 200 else 20.0 - 0.1 * step))
    assert cycle.top == pytest.approx(before, abs=0.5)
    other = ThermostatCycle(SET_POINT)
    other.restore(json.loads(json.dumps(cycle.save(), allow_nan=False)))
    assert (other.top, other.save()) == (cycle.top, cycle.save())


class Sticking:
    """A quiet plant whose burner sticks on at a time [s]."""

    def __init__(self, start: float) -> None:
        self.upset = Upset(kind=UpsetKind.BURNER_STICKS_ON, start=start, end=1e9, ramp=1.0, severity=1.0)

    def at(self, elapsed: float, unit: int) -> Disturbance:
        return combine([self.upset], elapsed, counter_resets=0)


def test_the_simulated_plant_cycles_ten_kelvin_above_the_site_file_and_then_sticks() -> None:
    site, unit = demo_unit(30.0)
    design = design_from_unit(unit, site.site.barometric_pressure)
    story = Sticking(4.0 * 3600.0)
    settings = SimulationSettings(story=story, seed=7, time_factor=1.0)  # type: ignore[arg-type]  # all it needs
    plant = FieldUnit(unit, 1, design, unit_context(site), settings)
    reboiler = unit.reboiler.model_copy(update={"set_point": unit.reboiler.set_point - 10.0})
    told = unit.model_copy(update={"reboiler": reboiler})
    site = site.model_copy(update={"units": (told, *site.units[1:])})
    monitor = UnitMonitor(site, told, resolve_alarms(site, told).alarms)
    monitor.saves = False
    field = Field(plant, monitor, told, 30.0)
    raised: dict[str, float] = {}
    for _ in range(int(5.5 * 120)):
        for step in field.scan().alarms:
            if step.event == LifeEvent.RAISED.value:  # shown, or explained by a high alarm that stands
                raised.setdefault(step.alarm, field.at)
    predicted, reached = raised["reboiler_overheating_predicted"], raised["reboiler_temperature_high_high"]
    assert predicted > story.upset.start
    after = (predicted - story.upset.start) / 60.0
    print(f"\npredicted {after:.1f} min after the burner stuck, {reached - predicted:.0f} s before high-high")
    assert reached - predicted > 120.0
