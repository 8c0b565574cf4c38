"""The life-cycle table against the standard's transition list, and the whole life after every event."""

from __future__ import annotations

import pytest

from daemon.model import AlarmState
from daemon.monitor.alarms.lifecycle import (
    TRANSITIONS,
    IllegalEventError,
    Life,
    LifeEvent,
    is_new_occurrence,
    step,
    transition_table,
)

NORM, UNACK, ACKED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
RTNUN = AlarmState.RETURNED_UNACKNOWLEDGED
LUNACK, LACKED = AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED
SHLVD, DSUPR, OOSRV = AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE

RAISED, RETURNED, LATCHED = LifeEvent.RAISED, LifeEvent.RETURNED, LifeEvent.LATCHED
ACK, RESET, AGAIN = LifeEvent.ACKNOWLEDGED, LifeEvent.RESET, LifeEvent.RE_ALARMED
SHELVE, UNSHELVE = LifeEvent.SHELVED, LifeEvent.UNSHELVED
SUPPRESS, UNSUPPRESS = LifeEvent.SUPPRESSED, LifeEvent.UNSUPPRESSED
REMOVE, RETURN = LifeEvent.REMOVED, LifeEvent.RETURNED_TO_SERVICE

TRUE = {"condition": True}
LIVES = {
    NORM: Life(),
    UNACK: Life(UNACK, condition=True),
    ACKED: Life(ACKED, condition=True),
    RTNUN: Life(RTNUN),
    LUNACK: Life(LUNACK),
    LACKED: Life(LACKED),
}

# ANSI/ISA-18.2-2016 and IEC 62682, alarm state transition diagram (from memory, with secondary readings of
# its states); latched states and re-alarm as OPC 10000-9, 5.8.2 has them.
STANDARD = {
    (NORM, RAISED): UNACK,
    (UNACK, ACK): ACKED,
    (UNACK, RETURNED): RTNUN,
    (UNACK, LATCHED): LUNACK,
    (UNACK, AGAIN): UNACK,
    (UNACK, LifeEvent.CLEARED): NORM,  # a class with automatic acknowledgement
    (ACKED, LifeEvent.CLEARED): NORM,
    (ACKED, RETURNED): NORM,
    (ACKED, LATCHED): LACKED,
    (ACKED, AGAIN): UNACK,
    (RTNUN, ACK): NORM,
    (RTNUN, RAISED): UNACK,
    (LUNACK, ACK): LACKED,
    (LUNACK, RAISED): UNACK,
    (LACKED, RESET): NORM,
    (LACKED, RAISED): UNACK,
} | {
    (state, event): target
    for state in LIVES
    for event, target in ((SHELVE, SHLVD), (SUPPRESS, DSUPR), (REMOVE, OOSRV))
}


@pytest.mark.parametrize("state", LIVES)
@pytest.mark.parametrize("event", LifeEvent)
def test_every_pair_without_flags_is_the_standards_or_illegal(state: AlarmState, event: LifeEvent) -> None:
    life = LIVES[state]
    if (state, event) in STANDARD:
        assert step(life, event).state is STANDARD[state, event]
    else:
        with pytest.raises(IllegalEventError, match=state.value) as caught:
            step(life, event)
        assert (caught.value.state, caught.value.event) == (state, event)
        assert life == LIVES[state]


STORIES: list[list[tuple[LifeEvent, Life]]] = [
    [
        (RAISED, Life(UNACK, condition=True)),
        (ACK, Life(ACKED, condition=True)),
        (RETURNED, Life(NORM)),
    ],
    [
        (RAISED, Life(UNACK, condition=True)),
        (RETURNED, Life(RTNUN)),
        (RAISED, Life(UNACK, condition=True)),
        (RETURNED, Life(RTNUN)),
        (ACK, Life(NORM)),
    ],
    [
        (RAISED, Life(UNACK, condition=True)),
        (LATCHED, Life(LUNACK)),
        (ACK, Life(LACKED)),
        (RAISED, Life(UNACK, condition=True)),
        (ACK, Life(ACKED, condition=True)),
        (LATCHED, Life(LACKED)),
        (RESET, Life(NORM)),
    ],
    [  # without need of acknowledgement it goes by itself, shown or hidden, and may come again
        (RAISED, Life(UNACK, condition=True)),
        (LifeEvent.CLEARED, Life(NORM)),
        (RAISED, Life(UNACK, condition=True)),
        (ACK, Life(ACKED, condition=True)),
        (LifeEvent.CLEARED, Life(NORM)),
        (RAISED, Life(UNACK, condition=True)),
        (SHELVE, Life(NORM, condition=True, shelved=True)),
        (LifeEvent.CLEARED, Life(NORM, shelved=True)),
        (UNSHELVE, Life(NORM)),
    ],
    [  # re-alarm asks for another acknowledgement
        (RAISED, Life(UNACK, condition=True)),
        (ACK, Life(ACKED, condition=True)),
        (AGAIN, Life(UNACK, condition=True)),
        (AGAIN, Life(UNACK, condition=True)),
    ],
    [  # the condition goes on behind the shelf; true at the end is a new alarm
        (RAISED, Life(UNACK, condition=True)),
        (ACK, Life(ACKED, condition=True)),
        (SHELVE, Life(NORM, condition=True, shelved=True)),
        (RETURNED, Life(NORM, shelved=True)),
        (RAISED, Life(NORM, condition=True, shelved=True)),
        (UNSHELVE, Life(UNACK, condition=True)),
    ],
    [  # a latched alarm behind a flag follows its condition
        (RAISED, Life(UNACK, condition=True)),
        (SUPPRESS, Life(NORM, condition=True, suppressed=True)),
        (LATCHED, Life(NORM, suppressed=True)),
        (UNSUPPRESS, Life(NORM)),
    ],
    [  # three flags together: the most lasting one shows, the alarm comes back after the last
        (SHELVE, Life(shelved=True)),
        (REMOVE, Life(shelved=True, out_of_service=True)),
        (SUPPRESS, Life(shelved=True, suppressed=True, out_of_service=True)),
        (RAISED, Life(condition=True, shelved=True, suppressed=True, out_of_service=True)),
        (RETURN, Life(condition=True, shelved=True, suppressed=True)),
        (UNSHELVE, Life(condition=True, suppressed=True)),
        (UNSUPPRESS, Life(UNACK, condition=True)),
    ],
]


@pytest.mark.parametrize("story", STORIES)
def test_the_whole_life_after_every_event(story: list[tuple[LifeEvent, Life]]) -> None:
    life = Life()
    for event, expected in story:
        life = step(life, event)
        assert life == expected


@pytest.mark.parametrize(
    ("life", "state"),
    [
        (Life(shelved=True), SHLVD),
        (Life(shelved=True, suppressed=True), DSUPR),
        (Life(suppressed=True, out_of_service=True), OOSRV),
        (Life(shelved=True, suppressed=True, out_of_service=True), OOSRV),
    ],
)
def test_the_most_lasting_flag_is_the_state(life: Life, state: AlarmState) -> None:
    assert life.state is state


@pytest.mark.parametrize(
    ("life", "event"),
    [
        (Life(shelved=True), SHELVE),
        (Life(shelved=True), UNSUPPRESS),
        (Life(shelved=True), RETURN),
        (Life(suppressed=True), UNSHELVE),
        (Life(suppressed=True), SUPPRESS),
        (Life(out_of_service=True), REMOVE),
        (Life(shelved=True), RETURNED),
        (Life(shelved=True), LATCHED),
        (Life(shelved=True), LifeEvent.CLEARED),
        (Life(shelved=True, condition=True), RAISED),
        (Life(shelved=True, condition=True), ACK),
        (Life(suppressed=True), RESET),
        (Life(out_of_service=True, condition=True), AGAIN),
    ],
)
def test_an_event_that_changes_nothing_behind_a_flag_is_illegal(life: Life, event: LifeEvent) -> None:
    with pytest.raises(IllegalEventError):
        step(life, event)


def test_every_entry_into_unacknowledged_is_a_new_occurrence() -> None:
    up = Life(UNACK, condition=True)
    assert is_new_occurrence(Life(), RAISED, up)
    assert is_new_occurrence(up, AGAIN, up)
    assert is_new_occurrence(Life(condition=True, shelved=True), UNSHELVE, up)
    assert not is_new_occurrence(up, ACK, Life(ACKED, condition=True))
    assert not is_new_occurrence(Life(), RAISED, Life(condition=True, shelved=True))


def test_the_table_is_written_out_whole() -> None:
    lines = transition_table().splitlines()
    assert lines[0] == "| event | NORM | UNACK | ACKED | RTNUN | LUNACK | LACKED | SHLVD | DSUPR | OOSRV |"
    rows = {line.split(" | ")[0].strip("| "): line for line in lines[2:-2]}
    assert list(rows) == [event.value for event in LifeEvent]
    assert rows["acknowledged"] == "| acknowledged | - | ACKED | - | NORM | LACKED | - | - | - | - |"
    assert rows["condition true"].endswith("| by flags | by flags | by flags |")
    legal = sum(len(events) for events in TRANSITIONS.values())
    cells = [cell for row in rows.values() for cell in row.strip("| ").split(" | ")[1:]]
    assert len(cells) - cells.count("-") == legal
