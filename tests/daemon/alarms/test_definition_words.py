"""When an alarm comes and goes, in words: every part of a definition that bears on it is said."""

from __future__ import annotations

import pytest

from config.alarms import ResolvedAlarm, SetPoint
from config.quantities import Quantity
from daemon.monitor.alarms.messages import definition
from tests.daemon.alarms.alarm_kit import alarm

PLAIN = "; a bad input neither raises nor clears it; may be shelved for 24 h at most"


def write(quantity: Quantity, si: float) -> str:
    return f"{si:g} {'K apart' if quantity is Quantity.TEMPERATURE_DIFFERENCE else 'u'}"


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (alarm(), "level: above 80 u"),
        (alarm(condition="low"), "level: below 80 u"),
        (
            alarm(condition="deviation", deviation_from="other_level"),
            "level: more than 80 u away from other level",
        ),
        (alarm(condition="rate high", window=600.0), "level: changes by more than 80 u in 10 min"),
        (alarm(condition="rate low", window=90.0), "level: changes by less than 80 u in 90 s"),
        (
            alarm(condition="predicted", setpoint_quantity=Quantity.DURATION, setpoint=SetPoint(900.0)),
            "level: below 15 min by the earliest estimate",
        ),
        (alarm(condition="state true", setpoint=None), "level: true"),
        (alarm(condition="state false", setpoint=None), "level: false"),
        (alarm(setpoint_by_state={"drying": SetPoint(70.0)}), "level: above 80 u, 70 u while drying"),
        (
            alarm(
                setpoint=SetPoint(-5.0, "reboiler_set_point", 0.9, at_least=1.0, at_most=9.0),
                setpoint_quantity=Quantity.TEMPERATURE,
            ),
            "level: above 0.9 times reboiler set point minus 5 K apart, at least 1 u, at most 9 u",
        ),
    ],
)
def test_the_condition(one: ResolvedAlarm, words: str) -> None:
    assert definition(one, write) == words + PLAIN


def test_what_is_about_a_link_or_a_quality_says_nothing_of_bad_inputs() -> None:
    lost = alarm(condition="link down", source="link", input="plc-1", setpoint=None)
    assert definition(lost, write) == "connection to plc-1 lost; may be shelved for 24 h at most"
    bad = alarm(condition="bad quality", setpoint=None, maximum_shelving=0.0)
    assert definition(bad, write) == "level: quality bad; may not be shelved"


def test_delays_and_whatever_hides_it() -> None:
    one = alarm(
        deadband=2.0,
        on_delay=15.0,
        off_delay=60.0,
        states=frozenset({"drying", "ready"}),
        settle_time=600.0,
        longest_suppression=7200.0,
        suppressed_by=("a", "b"),
        quality_policy="suppress",
        latching=True,
        re_alarm=900.0,
        maximum_shelving=3600.0,
    )
    assert definition(one, write) == (
        "level: above 80 u; goes 2 u back past the set point; must last 15 s; must be gone for 1 min; "
        "in force while the unit is ready or drying; from 10 min after it came there; "
        "suppressed for 2 h at most on the way there; suppressed by a, b; a bad input suppresses it; "
        "stays until it is reset; repeats while it stands every 15 min; may be shelved for 1 h at most"
    )
