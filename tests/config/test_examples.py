"""The commented example sites load, say that they are invented, and show the options that there are."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest
from pydantic import BaseModel

from config import controllers, signals, site
from config.loader import parse_site
from daemon.fieldsim.instruments import has_signal

EXAMPLES = ("demo.toml", "first-site.toml")
SHOWN = (
    site.Site,
    site.SiteInfo,
    site.PipelineLimit,
    site.Gas,
    site.Contactor,
    site.Reboiler,
    site.Pump,
    site.AcceptedStallRate,
    site.DehydrationUnit,
    site.JournalSettings,
    site.ApiSettings,
    controllers.ModbusTcp,
    controllers.MqttBroker,
    controllers.Tls,
    controllers.Hole,
    signals.SignalBase,
    signals.ModbusSignal,
    signals.MqttSignal,
)
LEFT_OUT = {"length", "gross_range"}  # text registers are rare; the range's default serves


def text(name: str) -> str:
    return files("config").joinpath(f"examples/{name}").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_loads_and_says_that_it_is_invented(name: str) -> None:
    assert parse_site(text(name), name).units
    assert "INVENTED" in "\n".join(text(name).splitlines()[:2])


@pytest.mark.parametrize("model", SHOWN, ids=lambda model: model.__name__)
def test_the_first_site_shows_every_option(model: type[BaseModel]) -> None:
    words = set(re.findall(r"[a-z0-9_]+", text("first-site.toml")))
    missing = model.model_fields.keys() - words - LEFT_OUT
    assert not missing, f"config/examples/first-site.toml does not show {sorted(missing)} of {model.__name__}"


def test_an_example_is_an_option_away_from_its_comments() -> None:
    """Each commented option is valid where it stands: taken together they load."""
    lines, own_alarm = [], False
    for line in text("first-site.toml").splitlines():
        option = re.match(
            r"# ([a-z_]+ = .*|\[(?:units\.pumps\.accepted_stall_rate|web|alarms\.[a-z_]+)\]|\[\[sinks\]\])$",
            line,
        )
        own_alarm = (own_alarm and bool(line)) or line.startswith("# [alarms.lean")
        taken = option and (
            own_alarm
            or not re.match(r"(dew_point|pressure|setpoint|on_delay|priority|basis|enabled)\b", option[1])
        )
        lines.append(option[1] if option and taken else line)
    folder = Path(str(files("config").joinpath("examples")))
    loaded = parse_site("\n".join(lines), "first-site.toml", folder=folder)
    assert loaded.units[0].pump_in_service.accepted_stall_rate is not None
    controller = loaded.controllers[0]
    assert isinstance(controller, controllers.ModbusTcp)
    assert controller.holes
    assert "lean_glycol_warm" in loaded.alarms
    assert "flash_pressure" in loaded.units[0].signals  # from the table beside it
    assert [sink.kind for sink in loaded.sinks] == ["log", "mqtt", "influx"]


def test_the_demo_site_can_be_played() -> None:
    for unit in parse_site(text("demo.toml"), "demo.toml").units:
        assert all(has_signal(name) for name in unit.signals)
