"""The life of one alarm as one table (ANSI/ISA-18.2-2016 and IEC 62682, alarm state transition diagram).

Theory of operation
-------------------
An alarm is always in exactly one of nine states. Six of them say what the operator is shown:

* *normal*: the condition is false and nothing waits for the operator;
* *unacknowledged*: the condition is true and nobody has said that they have seen it;
* *acknowledged*: the condition is true and somebody has;
* *returned unacknowledged*: the condition came and went before anybody acknowledged it (an alarm that needs
  no acknowledgement goes straight back to normal);
* *latched unacknowledged* and *latched acknowledged*: the condition is gone, but this alarm stays until an
  operator resets it.

Three say why the operator is shown nothing: *shelved* by an operator for a limited time, *suppressed by
design* by a rule, *out of service* for maintenance. These three may hold together, so each is a flag of its
own, and the one state shown is the most lasting flag held: out of service, then suppressed by design, then
shelved. The condition goes on being evaluated behind a flag. When the last flag falls, the state follows
from the condition alone: unacknowledged if it is true, which is a new occurrence, else normal. What was
acknowledged before the flag went up stays in the past.

``LifeEvent`` lists everything that can happen; ``TRANSITIONS`` says where each event leads from each state.
A pair that is not in the table is illegal, and so is an event that changes nothing it claims to change
(unshelving what is not shelved, a condition that becomes true twice): ``IllegalEventError`` is raised and the
life, being immutable, stays what it was. Time, delays, deadbands, shelving limits, users and occurrences
are the callers' business; this file knows order only.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from daemon.model import AlarmState


class LifeEvent(enum.StrEnum):
    """What can happen to an alarm; the values are the words used in the journal and in messages."""

    RAISED = "condition true"
    RETURNED = "condition false"
    LATCHED = "condition false, latched"
    CLEARED = "condition false, no acknowledgement needed"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    RE_ALARMED = "re-alarmed"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed by design"
    UNSUPPRESSED = "suppression by design ended"
    REMOVED = "removed from service"
    RETURNED_TO_SERVICE = "returned to service"


class IllegalEventError(ValueError):
    """An event that the alarm's state does not allow; nothing was changed."""

    def __init__(self, state: AlarmState, event: LifeEvent) -> None:
        super().__init__(f'"{event.value}" cannot happen to an alarm in state {state.value}')
        self.state = state
        self.event = event


@dataclass(frozen=True, slots=True)
class Life:
    """Where one alarm stands.

    ``shown`` is one of the six states without flags and is ``NORMAL`` whenever a flag is up; ``condition``
    is the alarm condition after its delays.
    """

    shown: AlarmState = AlarmState.NORMAL
    condition: bool = False
    shelved: bool = False
    suppressed: bool = False
    out_of_service: bool = False

    @property
    def hidden(self) -> bool:
        """Whether a flag is up."""
        return self.shelved or self.suppressed or self.out_of_service

    @property
    def state(self) -> AlarmState:
        """The one state of the standard: the most lasting flag that is up, else what is shown."""
        if self.out_of_service:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed:
            return AlarmState.SUPPRESSED_BY_DESIGN
        if self.shelved:
            return AlarmState.SHELVED
        return self.shown


class Rest(enum.Enum):
    """A target that depends on the flags and the condition, not on the state alone."""

    HIDDEN = "the state of the most lasting flag that is up; with none up, UNACK or NORM by the condition"


Target = AlarmState | Rest

_HIDE: Final[Mapping[LifeEvent, Target]] = {
    LifeEvent.SHELVED: AlarmState.SHELVED,
    LifeEvent.SUPPRESSED: AlarmState.SUPPRESSED_BY_DESIGN,
    LifeEvent.REMOVED: AlarmState.OUT_OF_SERVICE,
}
_HIDDEN: Final[Mapping[LifeEvent, Target]] = dict.fromkeys(
    (
        LifeEvent.RAISED,
        LifeEvent.RETURNED,
        LifeEvent.LATCHED,
        LifeEvent.CLEARED,
        LifeEvent.SHELVED,
        LifeEvent.UNSHELVED,
        LifeEvent.SUPPRESSED,
        LifeEvent.UNSUPPRESSED,
        LifeEvent.REMOVED,
        LifeEvent.RETURNED_TO_SERVICE,
    ),
    Rest.HIDDEN,
)

TRANSITIONS: Final[Mapping[AlarmState, Mapping[LifeEvent, Target]]] = {
    AlarmState.NORMAL: {
        LifeEvent.RAISED: AlarmState.UNACKNOWLEDGED,
        **_HIDE,
    },
    AlarmState.UNACKNOWLEDGED: {
        LifeEvent.RETURNED: AlarmState.RETURNED_UNACKNOWLEDGED,
        LifeEvent.LATCHED: AlarmState.LATCHED_UNACKNOWLEDGED,
        LifeEvent.CLEARED: AlarmState.NORMAL,
        LifeEvent.ACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
        LifeEvent.RE_ALARMED: AlarmState.UNACKNOWLEDGED,
        **_HIDE,
    },
    AlarmState.ACKNOWLEDGED: {
        LifeEvent.RETURNED: AlarmState.NORMAL,
        LifeEvent.LATCHED: AlarmState.LATCHED_ACKNOWLEDGED,
        LifeEvent.CLEARED: AlarmState.NORMAL,
        LifeEvent.RE_ALARMED: AlarmState.UNACKNOWLEDGED,
        **_HIDE,
    },
    AlarmState.RETURNED_UNACKNOWLEDGED: {
        LifeEvent.RAISED: AlarmState.UNACKNOWLEDGED,
        LifeEvent.ACKNOWLEDGED: AlarmState.NORMAL,
        **_HIDE,
    },
    AlarmState.LATCHED_UNACKNOWLEDGED: {
        LifeEvent.RAISED: AlarmState.UNACKNOWLEDGED,
        LifeEvent.ACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
        **_HIDE,
    },
    AlarmState.LATCHED_ACKNOWLEDGED: {
        LifeEvent.RAISED: AlarmState.UNACKNOWLEDGED,
        LifeEvent.RESET: AlarmState.NORMAL,
        **_HIDE,
    },
    AlarmState.SHELVED: _HIDDEN,
    AlarmState.SUPPRESSED_BY_DESIGN: _HIDDEN,
    AlarmState.OUT_OF_SERVICE: _HIDDEN,
}
"""Where each event leads from each state; what is not here is illegal."""

_FLIPS: Final[Mapping[LifeEvent, tuple[str, bool]]] = {
    LifeEvent.RAISED: ("condition", True),
    LifeEvent.RETURNED: ("condition", False),
    LifeEvent.LATCHED: ("condition", False),
    LifeEvent.CLEARED: ("condition", False),
    LifeEvent.SHELVED: ("shelved", True),
    LifeEvent.UNSHELVED: ("shelved", False),
    LifeEvent.SUPPRESSED: ("suppressed", True),
    LifeEvent.UNSUPPRESSED: ("suppressed", False),
    LifeEvent.REMOVED: ("out_of_service", True),
    LifeEvent.RETURNED_TO_SERVICE: ("out_of_service", False),
}
"""What an event claims to change; it is illegal where that is so already."""


def step(life: Life, event: LifeEvent) -> Life:
    """Return the life after an event.

    Raises
    ------
    IllegalEventError
        The table has no such transition, or what the event claims to change is so already.
    """
    target = TRANSITIONS[life.state].get(event)
    if target is None:
        raise IllegalEventError(life.state, event)
    after = life
    if event in _FLIPS:
        name, value = _FLIPS[event]
        if getattr(life, name) is value:
            raise IllegalEventError(life.state, event)
        change: dict[str, Any] = {name: value}
        after = replace(life, **change)
    if after.hidden:
        return replace(after, shown=AlarmState.NORMAL)
    if isinstance(target, AlarmState):
        return replace(after, shown=target)
    return replace(after, shown=AlarmState.UNACKNOWLEDGED if after.condition else AlarmState.NORMAL)


def is_new_occurrence(before: Life, event: LifeEvent, after: Life) -> bool:
    """Whether an event began a new occurrence: every entry into *unacknowledged*, repetition included."""
    return after.state is AlarmState.UNACKNOWLEDGED and (
        before.state is not AlarmState.UNACKNOWLEDGED or event is LifeEvent.RE_ALARMED
    )


def transition_table() -> str:
    """Return ``TRANSITIONS`` as a Markdown table, one row an event, one column a state, ``-`` for illegal."""
    header = "| event | " + " | ".join(state.value for state in AlarmState) + " |"
    rule = "| --- |" + " --- |" * len(AlarmState)

    def cell(state: AlarmState, event: LifeEvent) -> str:
        target = TRANSITIONS[state].get(event)
        if target is None:
            return "-"
        return target.value if isinstance(target, AlarmState) else "by flags"

    rows = [
        f"| {event.value} | " + " | ".join(cell(state, event) for state in AlarmState) + " |"
        for event in LifeEvent
    ]
    note = f"*By flags*: {Rest.HIDDEN.value}. An event that would change nothing is illegal too."
    return "\n".join((header, rule, *rows, "", note))
