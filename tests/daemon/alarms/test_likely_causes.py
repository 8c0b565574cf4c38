"""Does a transition that begins an occurrence carry what would explain it, and only such a one?"""

from __future__ import annotations

from daemon.model import ActionKind, LikelyCause
from daemon.monitor.alarms.engine import CAUSES_TOLD
from tests.daemon.alarms.alarm_kit import Bench, alarm


def cause(fault: str, share: float) -> LikelyCause:
    return LikelyCause(fault, share, ("level up",), (), (), "Look at the valve.")


KNOWN = tuple(cause(f"fault {number}", 0.4 / (number + 1)) for number in range(5))


def test_an_occurrence_begins_with_its_likeliest_causes() -> None:
    bench = Bench(alarm())
    bench.causes = KNOWN
    assert bench.scan(0, 50.0) == ()
    assert bench.asked == 0
    (raised,) = bench.scan(1, 90.0)
    assert raised.causes == KNOWN[:CAUSES_TOLD]
    assert bench.asked == 1


def test_what_goes_or_is_acknowledged_carries_none_and_does_not_ask() -> None:
    bench = Bench(alarm())
    bench.causes = KNOWN
    bench.scan(0, 90.0)
    (seen,) = bench.acknowledge(1)
    (gone,) = bench.scan(2, 50.0)
    assert (seen.causes, gone.causes, bench.asked) == ((), (), 1)


def test_a_new_occurrence_out_of_a_shelf_asks_anew() -> None:
    bench = Bench(alarm())
    bench.scan(0, 90.0)
    bench.shelve(1)
    bench.causes = KNOWN[:1]
    (back,) = bench.act(ActionKind.UNSHELVE, 2)
    assert (back.state.value, back.causes) == ("UNACK", KNOWN[:1])


def test_an_instrument_is_not_explained_by_the_process() -> None:
    bench = Bench(alarm(alarm_class="instrument"), alarm(id="own", alarm_class="system"))
    bench.causes = KNOWN
    assert [step.causes for step in bench.scan(0, 90.0)] == [(), ()]
    assert bench.asked == 0
