"""The packaged alarm set, setpoints as text, and what a site may change."""

from __future__ import annotations

import dataclasses
import math
import re
import typing

import pytest
from pydantic import BaseModel, ValidationError

from config.alarm_inputs import RESULT_NEEDS, missing_signals
from config.alarm_set import alarm_problems, packaged_alarms, resolve_alarms
from config.alarms import (
    LONGEST_SHELVING,
    AlarmDefinition,
    AlarmOverride,
    AlarmSetError,
    ResolvedAlarm,
    ResolvedSet,
    SetPoint,
    StateName,
)
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.setpoints import (
    Known,
    MissingValueError,
    SetPointError,
    parse_setpoint,
    pump_stopped_after,
    site_values,
)
from config.site import Contactor, Reboiler, Site
from config.units import UnitContext
from daemon.model import OperatingState
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
        f'[alarms.{name}]\nsetpoint = "{value}"'
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
    assert "pump_below_maker_stall_rate" not in without
    assert fixed(accepted["pump_below_maker_stall_rate"]) == pytest.approx(8 / 60)
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
    priority = "medium"
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
    assert (gas.priority, gas.on_delay) == ("medium", 20.0)
    assert (other.priority, other.on_delay) == ("low", 20.0)


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
    alarms = by_id(resolved(rest='[alarms.reboiler_temperature_high_high]\npriority = "high"'))
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
        ("reboiler_temperature_high_high", {"on_delay": 60.0}, None, "a tenth of time_to_respond"),
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


KNOWN = Known(
    {"set_point": (Quantity.TEMPERATURE, 460.0), "not_given": (Quantity.TEMPERATURE, None)},
    {"gas": Quantity.TEMPERATURE, "load": Quantity.STROKE_RATE},
)


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    [
        ("404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("-15 degF", Quantity.TEMPERATURE_DIFFERENCE, SetPoint(-8.333333)),
        ("set_point", Quantity.TEMPERATURE, SetPoint(460.0)),
        ("set_point + 9 degF", Quantity.TEMPERATURE, SetPoint(465.0)),
        ("set_point - 9 degF", Quantity.TEMPERATURE, SetPoint(455.0)),
        ("set_point + 90 degF, at most 404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("set_point - 90 degF, at least 404 degF", Quantity.TEMPERATURE, SetPoint(479.816667)),
        ("gas + 18 degF", Quantity.TEMPERATURE, SetPoint(10.0, "gas")),
        ("gas - 2 K", Quantity.TEMPERATURE, SetPoint(-2.0, "gas")),
        ("0.9 * load", Quantity.STROKE_RATE, SetPoint(0.0, "load", 0.9)),
        (
            "2*load + 6 /min, at least 12 /min, at most 60 /min",
            Quantity.STROKE_RATE,
            SetPoint(0.1, "load", 2.0, 0.2, 1.0),
        ),
    ],
)
def test_setpoints_as_text(text: str, quantity: Quantity, expected: SetPoint) -> None:
    found = parse_setpoint(text, quantity, KNOWN, UnitContext())
    assert found.reference == expected.reference
    for name in ("offset", "factor", "at_least", "at_most"):
        value, target = getattr(found, name), getattr(expected, name)
        assert value == target or math.isclose(value, target, rel_tol=1e-6)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("404", "has no unit"),
        ("404 degF, at most 410 degF", "bounds a fixed number"),
        ("gas + 18", "has no unit"),
        ("gas + 18 degF, below 400 degF", '"below 400 degF" is no bound'),
        ("load", "load is a stroke rate, not a temperature"),
        ("set_pont", '"set_pont" is no signal'),
        ("gas + load", "is not a number with a unit"),
        ("", "is not a number with a unit"),
    ],
)
def test_a_setpoint_that_cannot_be_read(text: str, message: str) -> None:
    with pytest.raises(SetPointError, match=re.escape(message)) as caught:
        parse_setpoint(text, Quantity.TEMPERATURE, KNOWN, UnitContext())
    assert caught.value.fix


def test_a_value_that_the_site_does_not_give() -> None:
    with pytest.raises(MissingValueError, match="not_given"):
        parse_setpoint("not_given", Quantity.TEMPERATURE, KNOWN, UnitContext())


VALID = packaged_alarms()["dew_point_margin_low"].model_dump()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"setpoint": None}, "needs a setpoint"),
        ({"condition": "bad quality", "deadband": None}, "takes no setpoint"),
        ({"condition": "bad quality", "setpoint": None}, "takes no deadband"),
        ({"condition": "deviation"}, "deviation_from belongs"),
        ({"deviation_from": "gas_rate"}, "deviation_from belongs"),
        ({"condition": "rate high"}, "window belongs"),
        ({"window": 60.0}, "window belongs"),
        ({"input": "every controller"}, "belong together"),
        ({"input": "every signal"}, "belongs to condition"),
        ({"re_alarm": 60.0}, "highest priority only"),
        ({"alarm_class": "safety"}, "never suppressed"),
        ({"alarm_class": "safety", "states": (), "settle_time": 0.0, "quality_policy": "suppress"}, "never"),
        ({"states": ()}, "need states"),
        ({"states": ("unknown",)}, "states"),
        ({"maximum_shelving": LONGEST_SHELVING + 1}, "less than or equal"),
        ({"time_to_respond": 0.0}, "greater than 0"),
        ({"causes": ()}, "at least 1 item"),
        ({"response": ""}, "at least 1 character"),
    ],
)
def test_a_definition_must_fit_together(changes: dict[str, typing.Any], message: str) -> None:
    AlarmDefinition.model_validate(VALID)
    with pytest.raises(ValidationError, match=message):
        AlarmDefinition.model_validate(VALID | changes)


@pytest.mark.parametrize("name", packaged_alarms())
def test_every_packaged_alarm_is_for_an_operator(name: str) -> None:
    alarm = packaged_alarms()[name]
    assert alarm.input in SIGNAL_KINDS.keys() | RESULT_KINDS.keys() | {"every signal", "every controller"}
    for text in (alarm.title, alarm.consequence, alarm.response, alarm.basis, *alarm.causes):
        assert text[0].isupper() or text[0].isdigit()
        assert len(text) < 320
    assert alarm.consequence.endswith(".")
    assert alarm.response.endswith(".")
    # Two different moments: the alarm must come well before its consequence.
    assert alarm.on_delay <= alarm.time_to_respond / 3 or alarm.priority == "low"
    for cause in alarm.suppressed_by:
        assert packaged_alarms()[cause].suppressed_by == ()  # no chains, no circles
    if alarm.deviation_from is not None:
        kinds = SIGNAL_KINDS | RESULT_KINDS
        assert kinds[alarm.deviation_from].quantity is kinds[alarm.input].quantity
    if alarm.alarm_class == "safety":
        assert alarm.maximum_shelving <= 4 * 3600
        assert alarm.states == ()


# Grid of common practice, no source: consequence against time to respond; the worst allowed pairs.
@pytest.mark.parametrize("name", packaged_alarms())
def test_priority_goes_with_the_time_to_respond(name: str) -> None:
    alarm = packaged_alarms()[name]
    if alarm.time_to_respond > 1800:
        assert alarm.priority == "low"
    if alarm.time_to_respond <= 300:
        assert alarm.priority in {"high", "highest"}


def test_few_alarms_are_important() -> None:
    priorities = [alarm.priority for alarm in packaged_alarms().values()]
    assert priorities.count("highest") == 1
    assert priorities.count("high") <= len(priorities) / 5


def test_the_states_of_the_configuration_are_those_of_the_monitor() -> None:
    assert set(typing.get_args(StateName)) == {state.value for state in OperatingState} - {"unknown"}


def test_every_result_of_the_table_exists_and_every_need_is_a_signal() -> None:
    assert RESULT_NEEDS.keys() <= RESULT_KINDS.keys()
    needed = {name for groups in RESULT_NEEDS.values() for group in groups for name in group}
    values = {name for name in needed if "." in name}
    assert needed - values - {"a second installed pump"} <= SIGNAL_KINDS.keys()
    models: dict[str, type[BaseModel]] = {"contactor": Contactor, "reboiler": Reboiler}
    for value in values:
        model, _, key = value.partition(".")
        assert key in models[model].model_fields
    for alarm in packaged_alarms().values():
        if alarm.input in RESULT_KINDS:
            assert alarm.input in RESULT_NEEDS
    assert missing_signals("something_new", ()) == ()


def test_site_values_and_inputs_never_share_a_name() -> None:
    values = site_values(site().units[0])
    assert not values.keys() & (SIGNAL_KINDS.keys() | RESULT_KINDS.keys())


def test_a_resolved_set_is_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        resolved().alarms = ()  # type: ignore[misc]  # that it cannot be assigned is the claim
