"""Definitions as data: what fits together, and whether the packaged ones serve an operator."""

from __future__ import annotations

import typing

import pytest
from pydantic import BaseModel, ValidationError

from config.alarm_inputs import RESULT_NEEDS, missing_signals
from config.alarm_set import packaged_alarms
from config.alarms import (
    LONGEST_SHELVING,
    AlarmDefinition,
    StateName,
)
from config.quantities import RESULT_KINDS, SIGNAL_KINDS
from config.site import Contactor, Pump, Reboiler
from daemon.model import OperatingState

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
        # What explains the cause explains this one too: no chain has a hidden link, and none is a circle.
        assert set(packaged_alarms()[cause].suppressed_by) < set(alarm.suppressed_by)
    if alarm.deviation_from is not None:
        kinds = SIGNAL_KINDS | RESULT_KINDS
        assert kinds[alarm.deviation_from].quantity is kinds[alarm.input].quantity
    if alarm.alarm_class == "safety":
        assert alarm.maximum_shelving <= 4 * 3600
        assert alarm.states == ()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "filter_differential_pressure_high",
            ("iron sulphide", "ignite", "H2S", "benzene", "hot glycol burns"),
        ),
        ("glycol_exposure_high", ("cooled", "hot glycol burns")),
        ("analyzer_disagrees", ("cooled", "hot glycol burns")),
        ("dew_point_drift", ("cooled", "hot glycol burns")),
        ("surge_level_low", ("fired reboiler", "glycol vapour burns", "H2S")),
        ("glycol_loss_high", ("fired reboiler", "glycol vapour burns", "H2S")),
    ],
)
def test_a_response_that_sends_hands_in_says_what_can_hurt_them(name: str, words: tuple[str, ...]) -> None:
    """The hazards are common practice, no source."""
    response = packaged_alarms()[name].response
    assert not [word for word in words if word not in response]


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
    models: dict[str, type[BaseModel]] = {"contactor": Contactor, "reboiler": Reboiler, "pumps": Pump}
    for value in values:
        model, _, key = value.partition(".")
        assert key in models[model].model_fields
    for alarm in packaged_alarms().values():
        if alarm.input in RESULT_KINDS:
            assert alarm.input in RESULT_NEEDS
    assert missing_signals("something_new", ()) == ()
