"""What is refused leaves no trace, and the limits of shelving to the second."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.model import ActionKind
from daemon.monitor.alarms import ActionRefusedError, Refusal
from tests.daemon.alarms.alarm_kit import Bench, alarm


@pytest.mark.parametrize(
    ("kind", "fields", "refusal"),
    [
        (ActionKind.SHELVE, {"duration": 7201.0, "comment": "x"}, Refusal.SHELVING_TOO_LONG),
        (ActionKind.SHELVE, {"duration": 60.0}, Refusal.NO_COMMENT),
        (ActionKind.REMOVE_FROM_SERVICE, {"comment": "again"}, Refusal.ALREADY_OUT_OF_SERVICE),
        (ActionKind.ACKNOWLEDGE, {"occurrence": "x"}, Refusal.NOTHING_TO_ACKNOWLEDGE),
    ],
)
def test_a_refusal_does_not_even_move_the_time(
    kind: ActionKind, fields: dict[str, Any], refusal: Refusal
) -> None:
    """Delays are saved as seconds elapsed at the last step; a refused request is none."""
    bench = Bench(alarm(maximum_shelving=7200.0))
    bench.act(ActionKind.REMOVE_FROM_SERVICE, 0, comment="calibration")
    bench.scan(1, 70.0)
    before = bench.engine.save()
    with pytest.raises(ActionRefusedError) as caught:
        bench.act(kind, 5, **fields)
    assert caught.value.refusal is refusal
    assert bench.engine.save() == before


@pytest.mark.parametrize("longest", [1.0, 60.0, 86_400.0])
def test_what_the_definition_allows_is_allowed_to_the_second(longest: float) -> None:
    bench = Bench(alarm(maximum_shelving=longest))
    bench.shelve(0, duration=longest)
    assert bench.scan(longest - 0.5, 70.0) == ()
    (over,) = bench.scan(longest, 70.0)
    assert over.event == "unshelved"


@pytest.mark.parametrize("longest", [0.0, -1.0])
def test_without_any_time_allowed_there_is_no_shelving(longest: float) -> None:
    with pytest.raises(ActionRefusedError) as caught:
        Bench(alarm(maximum_shelving=longest)).shelve(0, duration=0.0)
    assert caught.value.refusal is Refusal.SHELVING_NOT_ALLOWED
