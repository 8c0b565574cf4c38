"""Does history come out of a replay as it was, and what would have been under another configuration?"""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
from pathlib import Path

import pytest

from config.alarms import AlarmOverride
from config.site import Site
from daemon.journal.recording import Recording
from daemon.model import AlarmState, AlarmTransition, Priority
from daemon.replay import (
    Occurrence,
    Replay,
    may_keep_values,
    occurrences,
    replay,
    side_by_side,
)
from tests.support.demo_site import demo_site
from tests.support.recorded_run import BEGIN, VERSION, RecordedRun, eventful_run


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> RecordedRun:
    run = eventful_run(tmp_path_factory.mktemp("replay") / "journal.sqlite3", demo_site())
    run.close()
    return run


def replayed(
    run: RecordedRun, site: Site, begin: float = BEGIN, *, keep_values: bool | None = None
) -> Replay:
    with Recording(run.path, "north") as recording:
        return replay(recording, site, begin, run.now + 1.0, version=VERSION, keep_values=keep_values)


@pytest.mark.parametrize("keep_values", [False, True])
def test_the_same_configuration_gives_the_recorded_transitions(
    recorded: RecordedRun, keep_values: bool
) -> None:
    found = replayed(recorded, recorded.site, keep_values=keep_values)
    assert len(recorded.transitions) > 40
    assert {step.actor for step in recorded.transitions} == {"", "ada"}
    assert found.recorded == recorded.transitions
    without = [dataclasses.replace(step, causes=()) for step in recorded.transitions]
    assert found.replayed == (without if keep_values else recorded.transitions)
    assert found.differences() == 0
    assert (found.restarts, found.missing, found.unheard_requests) == (2, 0, 0)
    assert found.exact_start
    assert found.without_inputs == 0


def test_a_replay_from_the_middle_begins_at_a_saved_state(recorded: RecordedRun) -> None:
    middle = recorded.now - 300.0
    found = replayed(recorded, recorded.site, middle)
    assert found.exact_start
    assert BEGIN < found.warmed <= middle
    late = [step for step in recorded.transitions if step.time >= middle]
    assert late
    assert [step for step in found.replayed if step.time >= middle] == late


def test_values_are_kept_only_where_alarms_alone_differ(recorded: RecordedRun) -> None:
    site = recorded.site
    with Recording(recorded.path, "north") as recording:
        starts = recording.daemon_starts(0, 1 << 60)
    assert len(starts) == 3
    other_alarms = site.model_copy(
        update={"alarms": {"reboiler_temperature_high": AlarmOverride(on_delay=1.0)}}
    )
    assert may_keep_values(other_alarms, starts, VERSION)
    assert not may_keep_values(site, starts, "another version")
    assert not may_keep_values(site, [], VERSION)
    gas = site.units[0].gas.model_copy(update={"specific_gravity": 0.7})
    units = (site.units[0].model_copy(update={"gas": gas}), *site.units[1:])
    assert not may_keep_values(site.model_copy(update={"units": units}), starts, VERSION)


@pytest.mark.parametrize("keep_values", [False, True])
def test_another_configuration_shows_what_would_have_come(recorded: RecordedRun, keep_values: bool) -> None:
    quiet = changed(
        recorded.site, "reboiler_shutdown_disagreement", AlarmOverride(enabled=False, basis="a test")
    )
    found = replayed(recorded, quiet, keep_values=keep_values)
    names = {step.alarm for step in found.recorded}
    assert "reboiler_shutdown_disagreement" in names
    assert {step.alarm for step in found.replayed} == names - {"reboiler_shutdown_disagreement"}
    others = [step for step in recorded.transitions if step.alarm != "reboiler_shutdown_disagreement"]
    gone = len(recorded.transitions) - len(others)
    assert found.differences() == gone  # the others are the same, whatever number an occurrence has
    kept = [(step.alarm, step.time, step.state) for step in found.replayed]
    assert kept == [(step.alarm, step.time, step.state) for step in others]


def test_a_request_that_finds_nothing_to_act_on_is_counted(recorded: RecordedRun) -> None:
    slow = changed(
        recorded.site, "reboiler_temperature_high", AlarmOverride(on_delay=600.0, maximum_shelving=0.0)
    )
    assert replayed(recorded, slow).unheard_requests >= 2


def test_without_a_saved_state_the_beginning_is_not_exact(recorded: RecordedRun, tmp_path: Path) -> None:
    path = tmp_path / "copy.sqlite3"
    path.write_bytes(recorded.path.read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as journal, journal:
        journal.execute("DELETE FROM kept_state")
        journal.execute("DELETE FROM entry WHERE kind = 1 AND sequence < 300")
    with Recording(path, "north") as recording:
        found = replay(recording, recorded.site, BEGIN, recorded.now, version=VERSION)
    assert not found.exact_start


def changed(site: Site, alarm: str, override: AlarmOverride) -> Site:
    """The site with one alarm set otherwise."""
    return site.model_copy(update={"alarms": {**site.alarms, alarm: override}})


def step(alarm: str, time: float, state: AlarmState) -> AlarmTransition:
    return AlarmTransition("u", alarm, "o", AlarmState.NORMAL, state, "e", time, Priority.LOW, "", "")


def test_occurrences_last_while_the_alarm_is_shown_with_its_condition_true() -> None:
    history = [
        step("a", 5.0, AlarmState.UNACKNOWLEDGED),
        step("b", 8.0, AlarmState.UNACKNOWLEDGED),
        step("a", 12.0, AlarmState.ACKNOWLEDGED),
        step("b", 9.0, AlarmState.RETURNED_UNACKNOWLEDGED),
        step("a", 15.0, AlarmState.NORMAL),
        step("a", 18.0, AlarmState.UNACKNOWLEDGED),
        step("c", 30.0, AlarmState.UNACKNOWLEDGED),
    ]
    assert occurrences(history, 10.0, 20.0) == [
        Occurrence("a", 5.0, 15.0, True, Priority.LOW),
        Occurrence("a", 18.0, 20.0, False, Priority.LOW),
    ]


def test_occurrences_that_overlap_stand_side_by_side() -> None:
    first, second = (Occurrence("a", at, at + 10.0, True, Priority.LOW) for at in (0.0, 100.0))
    moved, extra = (Occurrence("a", at, at + 5.0, True, Priority.LOW) for at in (3.0, 50.0))
    pairs = side_by_side([first, second], [moved, extra])
    assert [(pair.recorded, pair.replayed) for pair in pairs] == [
        (first, moved),
        (None, extra),
        (second, None),
    ]
