"""What an operator reads: value against setpoint, what is gone, what cannot be judged."""

from __future__ import annotations

from typing import Any

import pytest

from config.alarms import SetPoint
from config.quantities import Quantity
from daemon.model import (
    AlarmTransition,
)
from daemon.monitor.alarms import AlarmEngine
from tests.daemon.alarms.alarm_kit import (
    UNIT,
    Bench,
    alarm,
    bad,
)


@pytest.mark.parametrize(
    ("changes", "signals", "message"),
    [
        ({}, {"level": 90.0}, "Level high: 90, high limit 80"),
        (
            {"condition": "deviation", "deviation_from": "shutdown_level", "setpoint": SetPoint(5.0)},
            {"level": 90.0, "shutdown_level": 78.0},
            "Level high: 12 away from shutdown level, limit 5",
        ),
        ({"condition": "state true", "setpoint": None}, {"level": 1.0}, "Level high: level: yes"),
        ({"condition": "state false", "setpoint": None}, {"level": 0.0}, "Level high: level: no"),
        ({"condition": "bad quality", "setpoint": None}, {"level": bad()}, "Level high: open circuit"),
        ({"condition": "bad quality", "setpoint": None}, {}, "Level high: no value"),
    ],
)
def test_messages(changes: dict[str, Any], signals: dict[str, Any], message: str) -> None:
    (step,) = Bench(alarm(**changes)).scan(1, **signals)
    assert step.message == message


def test_messages_when_the_condition_is_gone() -> None:
    bench = Bench(
        alarm(id="value"),
        alarm(id="state", input="flag", condition="state true", setpoint=None),
        alarm(id="quality", input="temperature", condition="bad quality", setpoint=None),
    )
    bench.scan(1, 90.0, flag=1.0, temperature=bad())
    assert [step.message for step in bench.scan(2, 70.0, flag=0.0, temperature=20.0)] == [
        "Level high: condition gone, now 70",
        "Level high: condition gone",
        "Level high: condition gone, now 20",
    ]
    assert bench.shown("quality").message == "Level high: good again, now 20"


@pytest.mark.parametrize(("window", "words_"), [(600.0, "10 min"), (7200.0, "2 h"), (90.0, "90 s")])
def test_a_rate_is_told_with_its_window(window: float, words_: str) -> None:
    bench = Bench(alarm(condition="rate high", window=window, setpoint=SetPoint(10.0)))
    steps: tuple[AlarmTransition, ...] = ()
    second = 0.0
    while not steps:
        steps = bench.scan(second, 20.0 * second / window)
        second += window / 60
    assert steps[0].message == f"Level high: changed by 20 in {words_}, limit 10"


def test_an_alarm_that_cannot_be_judged_yet_says_so() -> None:
    bench = Bench(alarm())
    assert bench.shown().message == "Level high: no usable value (not evaluated yet)"
    bench = Bench(alarm(setpoint=SetPoint(0.0, "limit")))
    bench.scan(1, 90.0)
    assert bench.shown().message == "Level high: 90, the setpoint has no usable value"


def test_values_are_written_in_the_quantity_of_the_setpoint() -> None:
    asked = []

    def spy(quantity: Quantity, si: float) -> str:
        asked.append(quantity)
        return str(si)

    bench = Bench(
        alarm(
            condition="deviation",
            deviation_from="b",
            setpoint=SetPoint(1.0),
            quantity=Quantity.TEMPERATURE,
            setpoint_quantity=Quantity.TEMPERATURE_DIFFERENCE,
        )
    )
    bench.engine = AlarmEngine(UNIT, bench.alarms, spy)
    (step,) = bench.scan(1, 300.0, b=290.0)
    assert step.quantity == "temperature difference"
    assert set(asked) == {Quantity.TEMPERATURE_DIFFERENCE}
