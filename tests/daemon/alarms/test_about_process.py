"""What tells of the process, and when the process is quiet.

Learning what is usual, and diagnosis, rest on this: an instrument's trouble says nothing of the process, and
while an alarm about the process is true, what is seen is not what is usual.
"""

from __future__ import annotations

import pytest

from daemon.model import LikelyCause
from tests.daemon.alarms.alarm_kit import Bench, alarm


@pytest.mark.parametrize(
    ("alarm_class", "process"),
    [("safety", True), ("contract", True), ("equipment", True), ("instrument", False), ("system", False)],
)
def test_the_class_tells(alarm_class: str, process: bool) -> None:
    bench = Bench(alarm(alarm_class=alarm_class))
    assert bench.shown().about_process is process
    bench.scan(1, 90.0)
    assert bench.engine.quiet is not process


def test_one_alarm_about_the_process_is_enough_and_acknowledging_does_not_make_it_quiet() -> None:
    bench = Bench(alarm(), alarm(id="other", input="other"))
    quiet = [bench.engine.quiet]
    for act in (
        lambda: bench.scan(1, 90.0, other=70.0),
        lambda: bench.acknowledge(2),
        lambda: bench.shelve(3),  # the condition is true, whoever is shown it
        lambda: bench.scan(4, 70.0, other=70.0),
    ):
        act()
        quiet.append(bench.engine.quiet)
    assert quiet == [True, False, False, False, True]


def test_the_three_likeliest_causes_are_told() -> None:
    """Three: a choice of this project, as many as a control room reads at a glance, no source."""
    bench = Bench(alarm())
    bench.causes = tuple(
        LikelyCause(str(number), 0.1, ("level up",), (), (), "Look at the valve.") for number in range(5)
    )
    (raised,) = bench.scan(1, 90.0)
    assert [it.fault for it in raised.causes] == ["0", "1", "2"]
