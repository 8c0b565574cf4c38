"""Starter sites are valid by construction; the schema takes what the loader takes; no alarm is left out."""

from __future__ import annotations

import json
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from config.alarm_inputs import missing_signals
from config.alarm_set import packaged_alarms
from config.daemon_alarms import packaged_daemon_alarms
from config.json_schema import site_schema
from config.loader import load_site, parse_site
from daemon.cli.alarm_catalogue import markdown_of, packaged_entries, site_entries
from daemon.cli.commands import app
from daemon.cli.starter import Starter, starter_site

ROOT = Path(__file__).parents[2]
RUNNER = CliRunner()

_printable = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40)


@settings(
    max_examples=12, phases=[Phase.explicit, Phase.generate]
)  # a site takes some tenths of a second to load
@given(
    title=_printable,
    host=st.from_regex(r"\A[a-z0-9.-]{1,30}\Z"),
    name=st.from_regex(r"\A[a-z0-9][a-z0-9_-]{0,20}\Z"),
    unit_system=st.sampled_from(["us", "si"]),
    protocol=st.sampled_from(["modbus-tcp", "mqtt"]),
    port=st.integers(1, 65535),
    units=st.lists(st.from_regex(r"\A[a-z][a-z0-9]{0,8}\Z"), min_size=1, max_size=3, unique=True),
)
def test_a_starter_site_says_what_was_answered_and_gives_a_margin(
    title: str, host: str, name: str, unit_system: Any, protocol: Any, port: int, units: list[str]
) -> None:
    answers = Starter(
        name, title, "1520 ft", unit_system, "UTC", "7 lb/MMscf", protocol, host, port, tuple(units)
    )

    site = parse_site(starter_site(answers), "starter.toml")

    assert (site.site.name, site.site.title) == (name, title.strip())
    assert site.site.elevation == pytest.approx(1520 * 0.3048)
    assert [unit.name for unit in site.units] == units
    controller = site.controllers[0]
    assert controller.protocol == protocol
    assert (controller.host, controller.port) == (host, port)  # type: ignore[union-attr]  # both have them
    assert all(not missing_signals("dew_point_margin", unit.signals) for unit in site.units)


def test_init_writes_a_file_that_check_accepts_and_overwrites_none(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    words = ["init", str(file), "--name", "north", "--units", "si", "--protocol", "mqtt", "--unit", "a"]

    done = RUNNER.invoke(app, words)
    assert done.exit_code == 0, done.output
    assert RUNNER.invoke(app, ["check", str(file)]).exit_code == 0
    before = file.read_text()
    again = RUNNER.invoke(app, words)
    assert again.exit_code == 1
    assert file.read_text() == before


def test_answers_that_do_not_fit_are_named_and_nothing_is_written(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    done = RUNNER.invoke(app, ["init", str(file), "--name", "Not A Name", "--elevation", "1520"])

    assert done.exit_code == 3
    assert "name" in done.output
    assert "elevation" in done.output
    assert not file.exists()


def test_the_long_example_comes_out_as_it_is_packaged(tmp_path: Path) -> None:
    file = tmp_path / "all.toml"
    assert RUNNER.invoke(app, ["init", str(file), "--explained"]).exit_code == 0
    assert file.read_text() == files("config").joinpath("examples/first-site.toml").read_text()


# --------------------------------------------------------------------------------------------- the schema


def as_json(text: str) -> Any:
    return json.loads(json.dumps(tomllib.loads(text), default=lambda value: value.isoformat()))


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = site_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize(
    "path",
    [
        "config/examples/first-site.toml",
        "config/examples/demo.toml",
        "docker/site.toml",
        "tests/config/site_ok.toml",
    ],
)
def test_the_schema_takes_valid_sites(validator: jsonschema.Draft202012Validator, path: str) -> None:
    problems = [error.message for error in validator.iter_errors(as_json((ROOT / path).read_text()))]
    assert problems == []


@pytest.mark.parametrize(
    "name",
    [
        "unknown-key",
        "missing-key",
        "number-without-unit",
        "unknown-type",
        "no-pumps",
        "elevation-and-pressure",
    ],
)
def test_the_schema_refuses_what_it_can_see(validator: jsonschema.Draft202012Validator, name: str) -> None:
    text = (ROOT / "tests" / "config" / "bad" / f"{name}.toml").read_text()
    assert not validator.is_valid(as_json(text))


def test_the_schema_explains_keys_and_has_no_si_default_for_text() -> None:
    done = RUNNER.invoke(app, ["init", "--schema"])
    schema = json.loads(done.output)
    period = schema["$defs"]["ModbusTcp"]["properties"]["scan_period"]

    assert period["type"] == "string"
    assert period["description"]
    assert "default" not in period


def test_the_limit_may_be_a_dew_point(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    done = RUNNER.invoke(app, ["init", str(path), "--limit", "-8 degC at 70 barg", "--elevation", "0 m"])
    limit = load_site(path).site.pipeline_limit

    assert done.exit_code == 0, done.output
    assert limit.dew_point == pytest.approx(265.15)
    assert limit.water_content is None
    assert limit.pressure == pytest.approx(70e5 + 101325.0)


# ------------------------------------------------------------------------------------------ the catalogue


def test_the_catalogue_holds_every_alarm_with_its_response() -> None:
    text = markdown_of(packaged_entries())
    for name, alarm in {**packaged_alarms(), **packaged_daemon_alarms()}.items():
        assert f"`{name}`" in text
        assert alarm.response in text
        assert alarm.consequence in text
    assert "no safety system" in text


def test_a_site_sees_its_own_set_points() -> None:
    site = load_site(ROOT / "config" / "examples" / "first-site.toml")
    entries = {entry.alarm: entry for entry in site_entries(site)}

    # Set point 390 degF plus 15 degF, but at most 402 degF: by the packaged rule.
    assert entries["reboiler_temperature_high"].condition.startswith("reboiler temperature: above 402.0 °F; ")
    assert entries["disk_low"].unit == "daemon"
    assert list(entries)[-1] in packaged_daemon_alarms()


def test_the_catalogue_is_printed_in_three_ways() -> None:
    for words in ([], ["--markdown"], ["--json"]):
        done = RUNNER.invoke(app, ["alarms", "catalogue", *words])
        assert done.exit_code == 0, done.output
        assert "reboiler_temperature_high_high" in done.output
