from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from daemon.fieldsim.scenarios import (
    DEMO,
    STORIES,
    Disturbance,
    Story,
    StoryError,
    Upset,
    UpsetKind,
    combine,
    find_story,
    single,
)
from daemon.fieldsim.state import UNDISTURBED


def test_an_upset_grows_holds_and_fades() -> None:
    upset = Upset(kind=UpsetKind.PUMP_SLOWS, start=10.0, end=30.0, ramp=4.0, severity=0.5)
    path = [upset.strength(t) for t in (9.9, 10.0, 12.0, 14.0, 29.0, 30.0, 32.0, 34.0, 99.0)]
    assert path == pytest.approx([0.0, 0.0, 0.25, 0.5, 0.5, 0.5, 0.25, 0.0, 0.0])


def test_an_upset_that_ends_while_it_grows_fades_from_where_it_was() -> None:
    upset = Upset(kind=UpsetKind.FOAMING, start=0.0, end=5.0, ramp=10.0)
    assert [upset.strength(t) for t in (5.0, 7.5, 10.0, 11.0)] == pytest.approx([0.5, 0.25, 0.0, 0.0])


@given(st.floats(0.0, 200.0), st.floats(0.1, 50.0), st.floats(0.1, 2.0), st.floats(-10.0, 400.0))
def test_strength_stays_between_nothing_and_severity(
    start: float, ramp: float, severity: float, time: float
) -> None:
    upset = Upset(kind=UpsetKind.HOT_WET_GAS, start=start, end=start + 20.0, ramp=ramp, severity=severity)
    assert 0.0 <= upset.strength(time) <= severity
    assert upset.strength(start - 0.001) == 0.0


@pytest.mark.parametrize("kind", UpsetKind)
def test_every_upset_does_something_and_leaves_nothing_behind(kind: UpsetKind) -> None:
    story = single(kind)
    quiet, during, after = story.at(10.0, 1), story.at(200.0, 1), story.at(400.0, 1)
    assert quiet == Disturbance()
    assert any(name.startswith(kind.value) for name in during.active)
    if kind is UpsetKind.STROKE_COUNTER_RESET:
        assert (during.counter_resets, after.counter_resets) == (1, 1)  # once, and it stays reset
    else:
        assert during.inputs != UNDISTURBED or during.faults or during.link != "none"
        assert after == Disturbance()


def test_of_two_upsets_of_a_kind_the_stronger_counts_and_different_ones_add_up() -> None:
    weak = Upset(kind=UpsetKind.PUMP_SLOWS, start=0.0, end=9.0, severity=0.4)
    strong = Upset(kind=UpsetKind.PUMP_SLOWS, start=0.0, end=9.0, severity=0.8)
    hot = Upset(kind=UpsetKind.HOT_WET_GAS, start=0.0, end=9.0)
    both = combine([strong, hot, weak], 1.0)
    assert both.inputs.stroke_rate_factor == combine([strong], 1.0).inputs.stroke_rate_factor
    assert both.inputs.gas_temperature_rise == combine([hot], 1.0).inputs.gas_temperature_rise


def test_a_repeating_story_starts_over_and_counts_every_reset() -> None:
    reset = Upset(kind=UpsetKind.STROKE_COUNTER_RESET, start=5.0, end=6.0)
    out = Upset(kind=UpsetKind.BURNER_OUT, start=2.0, end=4.0)
    story = Story(name="loop", repeat=10.0, upsets=(reset, out))
    assert [story.at(t, 1).counter_resets for t in (0.0, 5.5, 9.9, 12.0, 15.5, 25.5)] == [0, 1, 1, 1, 2, 3]
    assert story.at(23.0, 1).inputs.burner_out
    assert not story.at(23.0, 2).inputs.burner_out


def test_the_demo_overheats_a_reboiler_and_slows_a_pump_and_calms_down_again() -> None:
    seen = {unit: set().union(*(DEMO.at(t / 2, unit).active for t in range(200))) for unit in (1, 2)}
    assert "burner sticks on" in seen[1]
    assert "pump slows" in seen[2]
    assert DEMO.at(99.0, 1).active == DEMO.at(99.0, 2).active == frozenset()


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"end": 0.5}, "ends before it starts"),
        ({"signal": "reboiler_temperature"}, "belongs to transmitters"),
        ({"kind": UpsetKind.TRANSMITTER_FROZEN}, "belongs to transmitters"),
        ({"kind": UpsetKind.TRANSMITTER_FROZEN, "signal": "moon"}, 'no signal "moon"'),
        ({"severity": 0.0}, "greater than 0"),
        ({"colour": "red"}, "Extra inputs"),
    ],
)
def test_an_upset_that_makes_no_sense_is_refused(change: dict[str, Any], complaint: str) -> None:
    good = {"kind": UpsetKind.BURNER_OUT, "start": 1.0, "end": 2.0}
    with pytest.raises(ValidationError, match=complaint):
        Upset.model_validate({**good, **change})


def test_stories_are_found_by_name_or_read_from_a_file(tmp_path: Path) -> None:
    assert find_story("demo") is DEMO
    assert "burner-out" in STORIES
    file = tmp_path / "mine.toml"
    file.write_text(
        'name = "mine"\ntime_factor = 5.0\n[[upsets]]\nkind = "burner out"\nunit = 2\n'
        'start = "30 s"\nend = "2 min"\n'
    )
    story = find_story(str(file))
    assert story.time_factor == 5.0
    assert story.upsets == (Upset(kind=UpsetKind.BURNER_OUT, unit=2, start=30.0, end=120.0),)


def test_a_story_that_is_not_there_is_answered_with_what_is(tmp_path: Path) -> None:
    with pytest.raises(StoryError, match="use a TOML file or one of calm, demo"):
        find_story("opera")
    with pytest.raises(StoryError, match="holds no story"):
        find_story(str(tmp_path / "missing.toml"))
    file = tmp_path / "bad.toml"
    file.write_text('name = "x"\n[[upsets]]\nkind = "burner out"\nstart = 30\nend = "2 min"\n')
    with pytest.raises(StoryError, match="30 has no unit"):
        find_story(str(file))
