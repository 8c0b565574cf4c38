"""Suppression by operating state, second by second, and first-out."""

from __future__ import annotations

import pytest

from daemon.model import OperatingState
from daemon.monitor.alarms.first_out import FirstOut, Rank
from daemon.monitor.alarms.suppression import SavedRule, StateRule
from tests.daemon.alarms.alarm_kit import alarm

S = OperatingState
LETTERS = {"d": S.DRYING, "s": S.SHUT_IN, "h": S.HEATING, "u": S.UNKNOWN, "c": S.COLD}


def drive(rule: StateRule, states: str, at: float = 0.0) -> str:
    """One letter a second in, ``x`` while suppressed out."""
    return "".join("x" if rule.reason(LETTERS[it], at + i) else "." for i, it in enumerate(states))


@pytest.mark.parametrize(
    ("states", "settle", "longest", "expected"),
    [
        ("dsd", 0, None, ".x."),
        ("duuu", 0, None, "...."),  # unknown suppresses nothing
        ("suuu", 5, None, "x..."),  # not even for the settle time
        ("sudd", 5, None, "x..."),  # nor afterwards
        ("ssdddd", 3, None, "xxxxx."),
        ("dddd", 3, None, "...."),  # no settling without suppression before
        ("ssdsdddd", 3, None, "xxxxxxx."),
        ("hhhhh", 0, 3, "xxx.."),  # on the way up no longer than the longest time
        ("hhhhdd", 2, 3, "xxx..."),  # and no settling after that
        ("hhhuhh", 0, 5, "xxx.x."),  # an unknown in between does not start it anew
        ("hhshhhh", 0, 3, "xxxxxx."),  # a state to stay in does
        ("sssss", 0, 3, "xxxxx"),
    ],
)
def test_a_state_rule(states: str, settle: float, longest: float | None, expected: str) -> None:
    definition = alarm(states=frozenset({"drying"}), settle_time=settle, longest_suppression=longest)
    assert drive(StateRule(definition), states) == expected


def test_without_states_nothing_is_suppressed() -> None:
    assert drive(StateRule(alarm()), "dshuc") == "....."


def test_the_reason_names_the_state_or_the_settling() -> None:
    rule = StateRule(alarm(states=frozenset({"drying"}), settle_time=60.0))
    assert rule.reason(S.SHUT_IN, 0.0) == "not in force while the unit is shut in"
    assert rule.reason(S.DRYING, 1.0) == "settling for 60 s after the change of operating state"


@pytest.mark.parametrize(("before", "after"), [("ssd", "ddd"), ("ssdd", "dd"), ("hh", "hhh"), ("d", "ssd")])
def test_a_rule_goes_on_after_a_restart(before: str, after: str) -> None:
    definition = alarm(states=frozenset({"drying"}), settle_time=3.0, longest_suppression=4.0)
    whole = drive(StateRule(definition), before + after)
    first, second = StateRule(definition), StateRule(definition)
    drive(first, before)
    saved = first.save()
    assert isinstance(saved, SavedRule)
    second.resume(saved, 100.0)
    # The first scan after the restart stands where the next second would have been.
    assert second.save() == saved
    again = drive(second, after, at=101.0)
    assert again == whole[len(before) :]


def test_the_first_of_a_group_is_marked_and_the_others_name_it() -> None:
    ranks = FirstOut().rank("reboiler", [(100.5, "level"), (100.0, "burner")])
    assert ranks == {
        "burner": Rank(first=True, note="first of reboiler"),
        "level": Rank(first=False, note="0.5 s after burner"),
    }


def test_a_tie_marks_nobody() -> None:
    group = FirstOut()
    assert not any(rank.first for rank in group.rank("g", [(100.0, "a"), (100.04, "b")]).values())
    assert group.rank("g", [(103.0, "c")])["c"] == Rank(first=False, note="order within g unknown")


def test_a_later_alarm_follows_within_the_window_and_starts_anew_after_it() -> None:
    group = FirstOut()
    group.rank("g", [(100.0, "a")])
    assert group.rank("g", [(109.0, "b")])["b"].note == "9.0 s after a"
    assert group.rank("g", [(98.0, "slow")])["slow"].note == "began 2.0 s before a, raised after it"
    assert group.rank("g", [(110.5, "c")])["c"].first
    assert group.rank("other", [(100.0, "x")])["x"].first
