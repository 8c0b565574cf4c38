"""First-out at its edges: the window, the tie, and alarms that are raised after one that began later."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.model import AlarmTransition
from daemon.monitor.alarms.first_out import TIE, WINDOW, FirstOut, Rank
from tests.daemon.alarms.alarm_kit import START, Bench, alarm, good, words


def test_window_and_tie_are_the_documented_ones() -> None:
    """Project choices, no source: ten seconds, and a twentieth of a second that clocks cannot tell."""
    assert (WINDOW, TIE) == (10.0, 0.05)


@pytest.mark.parametrize(("after", "first"), [(9.5, False), (10.0, False), (10.5, True)])
def test_the_window_includes_its_end(after: float, first: bool) -> None:
    group = FirstOut()
    group.rank("g", [(0.0, "a")])
    assert group.rank("g", [(after, "b")])["b"].first is first


@pytest.mark.parametrize(("apart", "first"), [(0.0, False), (0.04, False), (0.05, True)])
def test_what_is_a_tie_apart_has_an_order(apart: float, first: bool) -> None:
    ranks = FirstOut().rank("g", [(0.0, "a"), (apart, "b")])
    assert (ranks["a"].first, ranks["b"].first) == (first, False)


def test_only_the_two_earliest_decide_on_a_tie() -> None:
    ranks = FirstOut().rank("g", [(3.02, "late"), (0.0, "a"), (3.0, "b")])
    assert [name for name, rank in ranks.items() if rank.first] == ["a"]


def test_raised_later_is_never_first_even_where_it_began_before() -> None:
    """The control room has read which was first; a slower alarm's delay does not change what it read."""
    group = FirstOut()
    group.rank("g", [(100.0, "a")])
    assert group.rank("g", [(98.0, "slow")])["slow"] == Rank(
        first=False, note="began 2.0 s before a, raised after it"
    )
    assert group.rank("g", [(100.0, "twin")])["twin"] == Rank(first=False, note="0.0 s after a")


def test_a_sequence_goes_on_from_its_first_alarm_and_not_from_its_newest() -> None:
    group = FirstOut()
    group.rank("g", [(0.0, "a")])
    group.rank("g", [(8.0, "b")])
    assert group.rank("g", [(12.0, "c")])["c"] == Rank(first=True, note="first of g")


def group_of(*names: str, **changes: Any) -> Bench:
    return Bench(*(alarm(id=name, input=name, first_out_group="g", **changes) for name in names))


def first(steps: tuple[AlarmTransition, ...]) -> list[str]:
    return [step.alarm for step in steps if step.first_out]


def test_an_alarm_that_goes_does_not_take_part_in_the_order_of_those_that_come() -> None:
    bench = group_of("a", "b")
    bench.scan(0, a=90.0, b=70.0)
    steps = bench.scan(30, a=70.0, b=90.0)
    assert words(steps) == [("a", "condition false", "RTNUN"), ("b", "condition true", "UNACK")]
    assert first(steps) == ["b"]


def test_an_alarm_that_is_repeated_does_not_either() -> None:
    bench = group_of("a", "b", priority="highest", re_alarm=30.0)
    bench.scan(0, a=90.0, b=70.0)
    steps = bench.scan(30, a=90.0, b=90.0)
    assert words(steps) == [("a", "re-alarmed", "UNACK"), ("b", "condition true", "UNACK")]
    assert first(steps) == ["b"]


def test_what_the_control_room_is_not_shown_is_not_first() -> None:
    bench = Bench(
        alarm(id="away", input="a", first_out_group="g", states=frozenset({"heating"})),
        alarm(id="shelved", input="a", first_out_group="g"),
        alarm(id="shown", input="b", first_out_group="g"),
    )
    bench.shelve(0, name="shelved")
    steps = bench.scan(1, a=good(90.0, START), b=good(90.0, START + 0.5))
    assert [step.alarm for step in steps if step.event == "condition true"] == ["away", "shelved", "shown"]
    assert first(steps) == ["shown"]


def test_the_mark_is_on_the_step_that_raises_and_then_in_the_list() -> None:
    bench = group_of("a")
    (raised,) = bench.scan(0, a=90.0)
    (seen,) = bench.acknowledge(1, name="a")
    assert (raised.first_out, seen.first_out, bench.shown("a").first_out) == (True, False, True)
