"""Alarm definitions: the packaged set (``config/default_alarms.toml``) and what a site changes of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.base import StrictModel
from config.fields import Duration

PriorityName = Literal["low", "medium", "high", "highest"]
AlarmClass = Literal["safety", "contract", "equipment", "instrument", "system"]
Condition = Literal[
    "high",
    "low",
    "rate high",
    "rate low",
    "deviation",
    "state true",
    "state false",
    "bad quality",
    "link down",
]
QualityPolicy = Literal["hold", "alarm", "suppress"]


class AlarmDefinition(StrictModel):
    """One alarm as data: when it comes, when it goes, what it means and what the operator does.

    ``input`` names a signal or a result of the unit. ``setpoint`` is a number with unit ("385 degF"), or the
    name of a result ("accepted_stall_rate"). The four texts are required: an alarm without a response is
    an event, not an alarm (ISA-18.2).
    """

    title: str
    """What the control room reads first."""
    input: str
    """Signal or result watched; for ``link down`` every controller, for ``bad quality`` every signal."""
    condition: Condition
    """How the input is compared with the setpoint."""
    setpoint: str | None = None
    """Number with unit, or the name of another result."""
    deviation_from: str | None = None
    """For ``deviation``: the signal or result that the input may not leave by more than the setpoint."""
    deadband: str | None = None
    """How far the value must go back past the setpoint, with unit."""
    on_delay: Duration = 0.0
    """How long the condition must hold."""
    off_delay: Duration = 0.0
    """How long the condition must be gone."""
    priority: PriorityName
    """From consequence and time to respond."""
    alarm_class: AlarmClass
    """Management class; ``safety`` is never suppressed by design."""
    consequence: str
    """What happens if nobody acts."""
    causes: Annotated[tuple[str, ...], Field(min_length=1)]
    """Likely causes, the most likely first."""
    response: str
    """What the operator does."""
    time_to_respond: Duration
    """How long there is before the consequence."""
    states: tuple[str, ...] = ()
    """Operating states in which it is in force; empty means always. In others it is suppressed by design."""
    latching: bool = False
    """Whether it stays until an operator resets it."""
    quality_policy: QualityPolicy = "hold"
    """What bad input does: ``hold`` neither raises nor clears."""
    maximum_shelving: Duration = 86400.0
    """Longest shelving."""
    re_alarm: Duration | None = None
    """Highest priority only: repeat an unresolved alarm after this time."""
    first_out_group: str | None = None
    """Alarms of one group that come together mark which came first."""
    basis: str
    """Where the setpoint comes from: a standard, a handbook, common practice, a site document."""


class AlarmOverride(StrictModel):
    """What a site or unit changes of a packaged alarm; what is not named stays."""

    enabled: bool = True
    """False removes the alarm from this site or unit, visibly in ``tegwatch check``."""
    setpoint: str | None = None
    """Another setpoint, with unit."""
    deadband: str | None = None
    """Another deadband, with unit."""
    on_delay: Duration | None = None
    """Another on-delay."""
    off_delay: Duration | None = None
    """Another off-delay."""
    priority: PriorityName | None = None
    """Another priority."""
    response: str | None = None
    """The site's own response."""
    basis: str | None = None
    """Why it was changed: document, person, date."""
