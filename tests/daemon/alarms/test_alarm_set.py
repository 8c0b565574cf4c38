"""The packaged alarm set on a unit, and what a site may change of it."""

from __future__ import annotations

import dataclasses
import re
import typing

import pytest

from config.alarm_set import alarm_problems, packaged_alarms, resolve_alarms
from config.alarms import (
    AlarmOverride,
    AlarmSetError,
    ResolvedAlarm,
    ResolvedSet,
    SetPoint,
)
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.setpoints import pump_stopped_after, site_values
from config.site import Site
from daemon.monitor.alarms import AlarmEngine
from tests.daemon.alarms.alarm_kit import write
from tests.support.sites import site_with

CONTROLLERS = """
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
"""
UNIT_STRINGS = {
    Quantity.TEMPERATURE: "degF",
    Quantity.PRESSURE: "psig",
    Quantity.PRESSURE_DIFFERENCE: "psi",
    Quantity.GAS_RATE: "MMscfd",
    Quantity.LIQUID_RATE: "gal/h",
    Quantity.STROKE_RATE: "/min",
    Quantity.WATER_CONTENT: "lb/MMscf",
    Quantity.FRACTION: "%",
}
ACCEPTED = """
[units.pumps.accepted_stall_rate]
stroke_rate = "6 /min"
accepted_by = "A. Person"
accepted_on = "2026-01-01"
expires_on = "2030-01-01"
reason = "clean system"
"""


def signals(names: tuple[str, ...], pump: str = "") -> str:
    lines = [pump, "[units.signals]"]
    for address, name in enumerate(names):
        unit = UNIT_STRINGS.get(SIGNAL_KINDS[name].quantity)
        shown = f', unit = "{unit}"' if unit else ""
        where = 'table = "holding", type = "uint16"'
        lines.append(f'{name} = {{ controller = "plc", {where}, address = {address}{shown} }}')
    return "\n".join(lines)


MAIN = (
    "contactor_temperature",
    "contactor_pressure",
    "gas_rate",
    "stroke_count",
    "reboiler_temperature",
)
EVERYTHING = tuple(name for name in SIGNAL_KINDS if name not in {"stroke_switch", "stroke_pulse"})


def site(names: tuple[str, ...] = MAIN, rest: str = "", pump: str = "") -> Site:
    return site_with(CONTROLLERS, signals(names, pump), rest)


def resolved(names: tuple[str, ...] = MAIN, rest: str = "", pump: str = "") -> ResolvedSet:
    it = site(names, rest, pump)
    return resolve_alarms(it, it.units[0])


def by_id(resolved_set: ResolvedSet) -> dict[str, ResolvedAlarm]:
    return {alarm.id: alarm for alarm in resolved_set.alarms}


def fixed(alarm: ResolvedAlarm) -> float:
    assert alarm.setpoint is not None
    assert not alarm.setpoint.reference
    return alarm.setpoint.offset


def off(resolved_set: ResolvedSet) -> dict[str, str]:
    return {item.alarm: item.reason for item in resolved_set.switched_off}


FIRST_SET = {
    "reboiler_temperature_high",
    "reboiler_temperature_high_high",
    "reboiler_temperature_low",
    "pump_below_stall_rate",
    "pump_stopped",
    "dew_point_margin_low",
    "dew_point_margin_gone",
    "contactor_temperature_high",
    "contactor_temperature_low",
    "contactor_pressure_high",
    "contactor_pressure_low",
    "controller_lost.plc",
    "instrument_bad.reboiler_temperature",
}


def test_the_main_signals_bring_the_first_alarm_set() -> None:
    limits = """
    [alarms.contactor_pressure_high]
    setpoint = "1100 psig"
    [alarms.contactor_pressure_low]
    setpoint = "600 psig"
    """
    alarms = by_id(resolved(rest=limits))
    assert alarms.keys() >= FIRST_SET
    # 404 degF = 206.67 degC, 390 degF = 198.89 degC, 355 degF = 179.44 degC by (F - 32)/1.8.
    assert fixed(alarms["reboiler_temperature_high_high"]) == pytest.approx(206.6667 + 273.15)
    assert fixed(alarms["reboiler_temperature_high"]) == pytest.approx(198.8889 + 273.15)
    assert fixed(alarms["reboiler_temperature_low"]) == pytest.approx(179.4444 + 273.15)
    assert alarms["pump_below_stall_rate"].setpoint == SetPoint(0.0, "accepted_stall_rate")
    assert alarms["pump_stopped"].setpoint == SetPoint(30.0)
    assert fixed(alarms["dew_point_margin_low"]) == pytest.approx(5 / 1.8)
    # 600 psig at 1520 m: 600 x 6894.757 Pa + 84.3 kPa of air (engineering reference, 5000 ft).
    assert fixed(alarms["contactor_pressure_low"]) == pytest.approx(600 * 6894.757 + 84.3e3, rel=1e-3)


def test_an_engine_takes_every_packaged_alarm() -> None:
    rest = "\n".join(
        f'[alarms.{name}]\nsetpoint = "{value}"\nbasis = "drawing"'
        for name, value in {
            "contactor_pressure_high": "1100 psig",
            "contactor_pressure_low": "600 psig",
            "contactor_differential_pressure_high": "1.5 psi",
            "reboiler_level_low": "30 %",
            "stack_temperature_high": "900 degF",
        }.items()
    )
    everything = resolved(EVERYTHING, rest, ACCEPTED)
    not_given = {
        "circulation_below_tray_seal",
        "contactor_near_flooding",
        "burner_lit_without_level",
        "glycol_exposure_high",
        "pump_change_advised",
    }
    assert set(off(everything)) == not_given
    bases = {alarm.id.partition(".")[0] for alarm in everything.alarms}
    assert bases == set(packaged_alarms()) - not_given
    engine = AlarmEngine("unit-1", everything.alarms, write)
    assert len(engine.snapshot()) == len(everything.alarms)


def test_what_a_site_lacks_switches_alarms_off_with_a_reason() -> None:
    reasons = off(resolved(("reboiler_temperature",)))
    assert reasons["contactor_temperature_high"] == "the unit has no signal contactor_temperature"
    assert reasons["pump_stopped"].startswith(
        "time_since_stroke cannot be calculated without stroke_count or stroke_switch"
    )
    assert reasons["contactor_pressure_high"] == "the unit has no signal contactor_pressure"
    assert off(resolved())["contactor_pressure_high"].startswith("no setpoint holds everywhere")
    assert reasons["circulation_below_tray_seal"].startswith("circulation_rate cannot be calculated")
    assert off(resolved())["circulation_below_tray_seal"] == "the site file gives no minimum_glycol_rate"
    assert off(resolved())["reboiler_shutdown_disagreement"].endswith("reboiler_shutdown_temperature")


def test_nothing_is_lost_between_the_set_and_a_unit() -> None:
    some = resolved()
    known = {item.id.partition(".")[0] for item in some.alarms} | set(off(some))
    assert known == set(packaged_alarms())


def test_an_accepted_stall_rate_brings_the_reminder_and_a_later_stop() -> None:
    without, accepted = by_id(resolved()), by_id(resolved(pump=ACCEPTED))
    assert "stall_rate_acceptance_ends" not in without
    assert "stall_rate_acceptance_ends" in accepted
    assert fixed(accepted["pump_stopped"]) == pytest.approx(40.0)  # four strokes at 6 a minute


@pytest.mark.parametrize(("rate", "seconds"), [(8 / 60, 30.0), (4 / 60, 60.0), (1.0, 30.0)])
def test_a_pump_counts_as_stopped_after_four_missed_strokes(rate: float, seconds: float) -> None:
    assert pump_stopped_after(rate) == pytest.approx(seconds)


def test_a_site_changes_what_it_names_and_its_unit_has_the_last_word() -> None:
    rest = """
    [units.alarms.dew_point_margin_low]
    on_delay = "10 min"
    setpoint = "8 degF"
    [units.alarms."instrument_bad.gas_rate"]
    priority = "high"
    [alarms.dew_point_margin_low]
    setpoint = "6 degF"
    priority = "high"
    deadband = "3 degF"
    response = "Call the plant."
    basis = "MOC 12"
    [alarms.instrument_bad]
    on_delay = "20 s"
    """
    alarms = by_id(resolved(rest=rest))
    changed = alarms["dew_point_margin_low"]
    assert fixed(changed) == pytest.approx(8 / 1.8)
    assert (changed.on_delay, changed.priority, changed.response) == (600.0, "high", "Call the plant.")
    assert changed.basis == "MOC 12"
    assert changed.deadband == pytest.approx(3 / 1.8)
    packaged = packaged_alarms()["dew_point_margin_low"]
    assert (changed.title, changed.off_delay) == (packaged.title, packaged.off_delay)
    gas, other = alarms["instrument_bad.gas_rate"], alarms["instrument_bad.contactor_pressure"]
    assert (gas.priority, gas.on_delay) == ("high", 20.0)
    assert (other.priority, other.on_delay) == ("medium", 20.0)


def test_switching_off_is_visible_and_gives_the_sites_reason() -> None:
    rest = """
    [alarms.dew_point_margin_low]
    enabled = false
    basis = "MOC 13"
    [alarms."instrument_bad.gas_rate"]
    enabled = false
    """
    reasons = off(resolved(rest=rest))
    assert reasons["dew_point_margin_low"] == "switched off in the site file: MOC 13"
    assert reasons["instrument_bad.gas_rate"] == "switched off in the site file"


def test_a_lower_priority_takes_the_repetition_along() -> None:
    alarms = by_id(resolved(rest='[alarms.reboiler_temperature_high_high]\npriority = "high"\nbasis = "MOC"'))
    assert alarms["reboiler_temperature_high_high"].re_alarm is None
    assert by_id(resolved())["reboiler_temperature_high_high"].re_alarm == 900.0


def test_setpoints_by_state() -> None:
    rest = """
    [alarms.contactor_temperature_high.setpoint_by_state]
    drying = "110 degF"
    """
    alarm = by_id(resolved(rest=rest))["contactor_temperature_high"]
    assert alarm.setpoint_by_state["drying"].offset == pytest.approx(110 / 1.8 + 255.3722)


@pytest.mark.parametrize(
    ("name", "change", "key", "message"),
    [
        ("dew_point_margn_low", {"priority": "low"}, None, 'there is no alarm "dew_point_margn_low"'),
        (
            "dew_point_margin_low",
            {"setpoint": "6 psi"},
            "setpoint",
            '"psi" is no unit of temperature difference',
        ),
        (
            "dew_point_margin_low",
            {"setpoint": "tomorrow"},
            "setpoint",
            '"tomorrow" is no signal, result or site',
        ),
        ("dew_point_margin_low", {"setpoint": "gas_rate"}, "setpoint", "gas_rate is a gas rate, not a"),
        ("dew_point_margin_low", {"deadband": "6"}, "deadband", '"6" has no unit'),
        ("dew_point_margin_low", {"deadband": "-6 degF"}, "deadband", "is negative"),
        ("reboiler_temperature_high", {"setpoint": "2 * reboiler_set_point"}, "setpoint", "multiplies a"),
        ("controller_lost", {"setpoint": "6 s"}, None, 'condition "link down" takes no setpoint'),
        ("controller_lost", {"deadband": "6 s"}, None, 'condition "link down" takes no deadband'),
        (
            "contactor_temperature_high",
            {"setpoint_by_state": {"drying": "9 psi"}},
            "setpoint_by_state",
            "psi",
        ),
        (
            "reboiler_temperature_high_high",
            {"on_delay": 60.0, "basis": "MOC"},
            None,
            "a tenth of time_to_respond",
        ),
    ],
)
def test_a_mistake_is_refused_with_its_place_and_a_fix(
    name: str, change: dict[str, typing.Any], key: str | None, message: str
) -> None:
    good_site = site((*MAIN, "lean_glycol_temperature"))
    unit = good_site.units[0].model_copy(update={"alarms": {name: AlarmOverride(**change)}})
    wrong = good_site.model_copy(update={"units": (unit,)})
    (problem,) = alarm_problems(wrong)
    assert problem.path == ("units", 0, "alarms", name) + ((key,) if key else ())
    assert message in str(problem)
    assert problem.fix
    with pytest.raises(AlarmSetError, match=re.escape(message)):
        resolve_alarms(wrong, unit)


def test_a_mistake_for_the_whole_site_is_said_once_and_all_are_said() -> None:
    good_site = site()
    overrides = {
        "dew_point_margin_low": AlarmOverride(setpoint="6 psi"),
        "dew_point_margin_gone": AlarmOverride(setpoint="6 psi"),
        "nothing_like_it": AlarmOverride(),
        "instrument_bad.other_units_signal": AlarmOverride(),
    }
    second = good_site.units[0].model_copy(update={"name": "unit-2"})
    wrong = good_site.model_copy(update={"alarms": overrides, "units": (good_site.units[0], second)})
    problems = list(alarm_problems(wrong))
    assert [problem.path[1] for problem in problems] == [
        "dew_point_margin_gone",
        "dew_point_margin_low",
        "nothing_like_it",
    ]
    assert problems[-1].fix.startswith("see tegwatch alarms catalogue; one of your own needs title,")


def test_site_values_and_inputs_never_share_a_name() -> None:
    values = site_values(site().units[0])
    assert not values.keys() & (SIGNAL_KINDS.keys() | RESULT_KINDS.keys())


def test_a_resolved_set_is_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        resolved().alarms = ()  # type: ignore[misc]  # that it cannot be assigned is the claim
