"""What an operator may ask of an alarm, and why a request is refused. Nothing here reaches a controller."""

from __future__ import annotations

import enum

from config.alarms import DEFAULT_SHELVING, LONGEST_SHELVING
from daemon.model import ActionKind, AlarmState, OperatorAction
from daemon.monitor.alarms.lifecycle import LifeEvent
from daemon.monitor.alarms.record import AlarmRecord


class Refusal(enum.StrEnum):
    """Why an operator's request was not carried out."""

    UNKNOWN_ALARM = "unknown alarm"
    NO_ACTOR = "no user named"
    NO_OCCURRENCE = "no occurrence named"
    WRONG_OCCURRENCE = "another occurrence is current"
    NOTHING_TO_ACKNOWLEDGE = "nothing to acknowledge"
    NOTHING_TO_RESET = "nothing to reset"
    NO_COMMENT = "comment missing"
    SHELVING_NOT_ALLOWED = "shelving not allowed"
    SHELVING_TOO_LONG = "shelving too long"
    NOTHING_TO_RETURN = "nothing to return"
    NOT_SHELVED = "not shelved"
    ALREADY_OUT_OF_SERVICE = "already out of service"
    NOT_OUT_OF_SERVICE = "not out of service"


class ActionRefusedError(ValueError):
    """A request that was refused; nothing was changed. ``refusal`` is for programs, the text for people."""

    def __init__(self, refusal: Refusal, text: str) -> None:
        super().__init__(text)
        self.refusal = refusal


def judge(record: AlarmRecord, action: OperatorAction) -> LifeEvent | None:
    """Return the event that a request makes, or ``None`` if it has been carried out already.

    Raises
    ------
    ActionRefusedError
        The request cannot be carried out; the text says why and what would do.
    """
    if not action.actor:
        raise ActionRefusedError(Refusal.NO_ACTOR, f"{action.kind.value} needs the name of a user")
    match action.kind:
        case ActionKind.ACKNOWLEDGE:
            return _acknowledge(record, action)
        case ActionKind.SHELVE:
            shelving_duration(record, action)
            _need_comment(action)
            if action.until_return and not record.life.condition:
                raise ActionRefusedError(
                    Refusal.NOTHING_TO_RETURN,
                    f"the condition of {record.alarm.id} is gone already; shelve it for a time instead",
                )
            return LifeEvent.SHELVED
        case ActionKind.UNSHELVE:
            if not record.life.shelved:
                raise ActionRefusedError(Refusal.NOT_SHELVED, f"{record.alarm.id} is not shelved")
            return LifeEvent.UNSHELVED
        case ActionKind.RESET:
            if record.life.state is not AlarmState.LATCHED_ACKNOWLEDGED:
                raise ActionRefusedError(Refusal.NOTHING_TO_RESET, _why_no_reset(record))
            return LifeEvent.RESET
        case ActionKind.REMOVE_FROM_SERVICE:
            if record.life.out_of_service:
                raise ActionRefusedError(
                    Refusal.ALREADY_OUT_OF_SERVICE, f"{record.alarm.id} is out of service already"
                )
            _need_comment(action)
            return LifeEvent.REMOVED
    # What remains is ActionKind.RETURN_TO_SERVICE.
    if not record.life.out_of_service:
        raise ActionRefusedError(Refusal.NOT_OUT_OF_SERVICE, f"{record.alarm.id} is not out of service")
    return LifeEvent.RETURNED_TO_SERVICE


def shelving_duration(record: AlarmRecord, action: OperatorAction) -> float:
    """Return how long to shelve [s], within what is allowed.

    Zero in the request means the default, and the longest allowed for what ends when the condition is gone.
    """
    longest = min(record.alarm.maximum_shelving, LONGEST_SHELVING)
    if longest <= 0:
        raise ActionRefusedError(
            Refusal.SHELVING_NOT_ALLOWED,
            f"{record.alarm.id} may not be shelved; for maintenance it can be removed from service",
        )
    usual = longest if action.until_return else min(DEFAULT_SHELVING, longest)
    duration = action.duration or usual
    if not 0 < duration <= longest:
        raise ActionRefusedError(
            Refusal.SHELVING_TOO_LONG,
            f"{record.alarm.id} may be shelved for at most {longest / 3600:g} h and not for"
            f" {duration / 3600:g} h",
        )
    return duration


def _acknowledge(record: AlarmRecord, action: OperatorAction) -> LifeEvent | None:
    if not action.occurrence:
        raise ActionRefusedError(
            Refusal.NO_OCCURRENCE, f"acknowledging {record.alarm.id} needs the occurrence that was seen"
        )
    known = record.acknowledgement
    if known is not None and known.occurrence == action.occurrence:
        return None
    if not record.occurrence:
        raise ActionRefusedError(
            Refusal.NOTHING_TO_ACKNOWLEDGE,
            f"{record.alarm.id} is {record.life.state.value}: nothing to acknowledge",
        )
    if action.occurrence != record.occurrence:
        raise ActionRefusedError(
            Refusal.WRONG_OCCURRENCE,
            f"{action.occurrence} is not the current occurrence of {record.alarm.id};"
            f" that is {record.occurrence}",
        )
    return LifeEvent.ACKNOWLEDGED


def _need_comment(action: OperatorAction) -> None:
    if not action.comment.strip():
        raise ActionRefusedError(Refusal.NO_COMMENT, f"to {action.kind.value}, say why in a comment")


def _why_no_reset(record: AlarmRecord) -> str:
    if record.life.state is AlarmState.LATCHED_UNACKNOWLEDGED:
        return f"{record.alarm.id} must be acknowledged before it is reset"
    if record.life.condition:
        return f"the condition of {record.alarm.id} is still true"
    return f"{record.alarm.id} is {record.life.state.value}: nothing to reset"
