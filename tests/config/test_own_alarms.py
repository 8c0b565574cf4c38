"""Alarms that a site defines itself: as whole as a packaged one, and every mistake with line, key and fix."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.alarm_set import packaged_alarms, resolve_alarms
from config.errors import ConfigError
from config.loader import parse_site
from config.quantities import Quantity
from daemon.cli.alarm_catalogue import site_entries
from daemon.cli.commands import app

BASE = (Path(__file__).parent / "site_ok.toml").read_text(encoding="utf-8")
OWN = """
[alarms.inlet_scrubber_level_high]
title = "Inlet scrubber level high"
input = "reboiler_temperature"
condition = "high"
setpoint = "reboiler_set_point + 12 degF"
deadband = "2 degF"
on_delay = "30 s"
priority = "low"
alarm_class = "equipment"
consequence = "Free liquid reaches the contactor."
causes = ["Dump valve stuck", "Slug from the field"]
response = "Drain the scrubber by the site procedure."
time_to_respond = "20 min"
basis = "Site procedure 12, invented"
"""


def problems_of(text: str) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        parse_site(BASE + text, "site.toml")
    return [str(problem) for problem in refused.value.problems]


def line_of(text: str, key: str) -> int:
    lines = (BASE + text).splitlines()
    return next(number for number, line in enumerate(lines, start=1) if number > 1 and line.startswith(key))


def test_it_is_resolved_like_a_packaged_one_and_comes_after_them() -> None:
    site = parse_site(BASE + OWN, "site.toml")
    found = resolve_alarms(site, site.units[0])
    own = found.alarms[-1]
    assert (own.id, own.own, own.source) == ("inlet_scrubber_level_high", True, "signal")
    assert own.setpoint_quantity is Quantity.TEMPERATURE
    # 12 degF are 6.667 K (9/5 by definition of the scale) above the unit's set point.
    expected = site.units[0].reboiler.set_point + 12.0 * 5.0 / 9.0
    assert own.setpoint is not None
    assert own.setpoint.value(None) == pytest.approx(expected)
    assert own.deadband == pytest.approx(2.0 * 5.0 / 9.0)
    assert own.response == "Drain the scrubber by the site procedure."
    assert not any(one.own for one in found.alarms[:-1])


def test_a_unit_may_change_what_the_site_defines_and_have_alarms_of_its_own() -> None:
    unit_own = OWN.replace("[alarms.inlet", "[units.alarms.other").replace("12 degF", "14 degF")
    change = '\n[units.alarms.inlet_scrubber_level_high]\non_delay = "90 s"\n'
    head, pumps, tail = BASE.partition("[[units.pumps]]")
    assert pumps
    site = parse_site(head + unit_own + change + pumps + tail + OWN, "site.toml")
    own = {one.id: one for one in resolve_alarms(site, site.units[0]).alarms if one.own}
    assert own["inlet_scrubber_level_high"].on_delay == 90.0
    assert own["other_scrubber_level_high"].on_delay == 30.0


def test_it_is_shown_wherever_alarms_are(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(BASE + OWN, encoding="utf-8")
    site = parse_site(BASE + OWN, "site.toml")
    entry = next(one for one in site_entries(site) if one.alarm == "inlet_scrubber_level_high")
    assert entry.causes == ("Dump valve stuck", "Slug from the field")
    assert entry.condition.startswith("reboiler temperature: above ")
    checked = CliRunner().invoke(app, ["check", str(file)])
    assert checked.exit_code == 0, checked.output
    assert "of the site's own" in checked.output
    assert "inlet_scrubber_level_high" in checked.output


def test_for_a_signal_that_a_unit_lacks_it_is_visibly_off() -> None:
    text = OWN.replace('"reboiler_temperature"', '"flash_level"').replace(
        '"reboiler_set_point + 12 degF"', '"80 %"'
    )
    site = parse_site(BASE + text.replace('"2 degF"', '"5 %"'), "site.toml")
    off = resolve_alarms(site, site.units[0]).switched_off
    assert [one.reason for one in off if one.alarm == "inlet_scrubber_level_high"] == [
        "the unit has no signal flash_level"
    ]


@pytest.mark.parametrize(
    "key", ["title", "priority", "alarm_class", "consequence", "causes", "response", "basis"]
)
def test_whatever_a_packaged_alarm_has_is_required(key: str) -> None:
    text = "\n".join(line for line in OWN.splitlines() if not line.startswith(f"{key} "))
    [problem] = problems_of(text)
    assert f"alarms.inlet_scrubber_level_high.{key}: is missing. Fix: add {key} = ... there." in problem
    assert problem.startswith(f"site.toml:{line_of(text, '[alarms.inlet')}:")


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('"reboiler_temperature"', '"reboiler_temprature"', "input", 'did you mean "reboiler_temperature"?'),
        ('"reboiler_set_point + 12 degF"', '"12 psi"', "setpoint", "no unit of temperature"),
        ('"reboiler_set_point + 12 degF"', '"given by the site"', "setpoint", "write a number with its unit"),
        ('"2 degF"', '"-2 degF"', "deadband", "write how far back, without a sign"),
        ('"high"', '"state true"', "condition", "takes no setpoint"),
        ('"30 s"', '"30"', "on_delay", "has no unit"),
        (
            "basis =",
            'suppressed_by = ["pump_stoped"]\nbasis =',
            "suppressed_by",
            'did you mean "pump_stopped"?',
        ),
        ("basis =", "latch = true\nbasis =", "latch", "did you mean latching?"),
    ],
)
def test_a_mistake_is_told_with_line_key_and_fix(old: str, new: str, key: str, said: str) -> None:
    text = OWN.replace(old, new)
    [problem] = problems_of(text)
    assert said in problem
    if key != "condition":  # that condition and setpoint do not fit is the whole table's mistake
        assert f"alarms.inlet_scrubber_level_high.{key}" in problem
        assert problem.startswith(f"site.toml:{line_of(text, f'{key} =')}:")


def test_a_state_condition_needs_a_state() -> None:
    lines = (line for line in OWN.splitlines() if not line.startswith(("setpoint", "deadband")))
    [problem] = problems_of("\n".join(lines).replace('"high"', '"state true"'))
    assert "reboiler_temperature is a temperature and no state" in problem


@pytest.mark.parametrize("name", ["reboiler_temperature_high", "disk_low"])
def test_a_packaged_alarm_cannot_be_defined_anew(name: str) -> None:
    assert name == "disk_low" or name in packaged_alarms()
    [problem] = problems_of(OWN.replace("inlet_scrubber_level_high", name))
    assert "is a packaged alarm and cannot be defined anew" in problem
    assert "choose another name" in problem


def test_a_name_must_be_one_that_topics_and_commands_take() -> None:
    [problem] = problems_of(OWN.replace("alarms.inlet_scrubber_level_high", 'alarms."Inlet level"'))
    assert "use lower-case letters, digits and _" in problem
