"""Alarms as data: the definition of one alarm, what a site changes of it, and its resolved form in SI.

The packaged definitions stand in ``config/default_alarms.toml``; ``config.alarm_set`` turns them, with what
a site changes, into ``ResolvedAlarm`` objects for one unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from config.base import StrictModel
from config.fields import Duration
from config.quantities import Quantity
from config.toml_lines import KeyPath

PriorityName = Literal["low", "medium", "high", "highest"]
AlarmClass = Literal["safety", "contract", "equipment", "instrument", "system"]
Condition = Literal[
    "high",
    "low",
    "rate high",
    "rate low",
    "deviation",
    "predicted",
    "state true",
    "state false",
    "bad quality",
    "link down",
]
QualityPolicy = Literal["hold", "alarm", "suppress"]
StateName = Literal[
    "shut in",
    "cold",
    "heating",
    "ready",
    "circulating with bypass open",
    "drying",
    "cooling down",
]
"""Operating states that may be named in an alarm; ``unknown`` may not, because it suppresses nothing."""

LIMIT_CONDITIONS = frozenset({"high", "low", "rate high", "rate low", "deviation", "predicted"})
"""Conditions that compare with a setpoint."""
_EVERY = frozenset({"every signal", "every unit", "every sink"})
DEFAULT_SHELVING = 8 * 3600.0
"""How long an alarm is shelved when the operator does not say [s]."""
LONGEST_SHELVING = 24 * 3600.0
"""No alarm may be shelved longer than this [s], whatever its definition says."""

Text = Annotated[str, Field(min_length=1)]
ShelvingDuration = Annotated[Duration, Field(ge=0, le=LONGEST_SHELVING)]
PositiveDuration = Annotated[Duration, Field(gt=0)]
Delay = Annotated[Duration, Field(ge=0)]


class AlarmSetError(ValueError):
    """A mistake in what a site changes of an alarm; ``path`` is the way to the key in the site file."""

    def __init__(self, path: KeyPath, message: str, fix: str) -> None:
        super().__init__(message)
        self.path = path
        self.fix = fix


class AlarmDefinition(StrictModel):
    """One alarm as data: when it comes, when it goes, what it means and what the operator does.

    The four texts (consequence, causes, response, basis) are required: an alarm without a response is an
    event, not an alarm (ISA-18.2).

    A setpoint is written as a number with unit ("404 degF") or relative to something known of the unit: a
    signal, a result or a value of the site file ("accepted_stall_rate", "0.9 * pump_maximum_rate",
    "reboiler_set_point + 15 degF, at most 402 degF"). ``config.setpoints`` has the grammar.
    """

    title: Text
    """What the control room reads first."""
    input: Text
    """Result or signal watched, a result before a signal of the same name; ``every signal`` and
    ``every controller`` make one alarm each, as do ``every unit`` and ``every sink`` for the daemon's own."""
    condition: Condition
    """How the input is compared with the setpoint. ``predicted``: the input is a time to a limit, and the
    earliest that its uncertainty allows (99 %) is compared."""
    setpoint: Text | None = None
    """Where the condition begins; for rates the change within ``window``."""
    setpoint_by_state: dict[StateName, Text] = {}
    """Another setpoint in these operating states."""
    deviation_from: Text | None = None
    """For ``deviation``: the signal or result that the input may not leave by more than the setpoint."""
    window: PositiveDuration | None = None
    """For rates: the time over which the change is taken."""
    deadband: Text | None = None
    """How far the value must go back past the setpoint: with unit, or "2 % of the set point" for rates
    and the like, whose size differs from unit to unit."""
    on_delay: Delay = 0.0
    """How long the condition must hold."""
    off_delay: Delay = 0.0
    """How long the condition must be gone."""
    priority: PriorityName
    """From consequence and time to respond."""
    alarm_class: AlarmClass
    """Management class; ``safety`` is never suppressed by design."""
    consequence: Text
    """What happens if nobody acts."""
    causes: Annotated[tuple[Text, ...], Field(min_length=1)]
    """Likely causes, the most likely first."""
    response: Text
    """What the operator does."""
    time_to_respond: PositiveDuration
    """How long there is before the consequence."""
    states: tuple[StateName, ...] = ()
    """Operating states in which it is in force; empty means always. In others it is suppressed by design."""
    settle_time: Delay = 0.0
    """How long suppression goes on after the unit has entered a state in which the alarm is in force."""
    longest_suppression: PositiveDuration | None = None
    """Limit of suppression while the unit is on its way (heating, ready, bypass open, cooling down)."""
    suppressed_by: tuple[Text, ...] = ()
    """Alarms that explain this one: while one of them is shown and true, this one is suppressed."""
    latching: bool = False
    """Whether it stays until an operator resets it."""
    ack_required: bool = True
    """Whether it stays, once gone, until somebody has acknowledged it; false for low priority only."""
    quality_policy: QualityPolicy = "hold"
    """What bad input does: ``hold`` neither raises nor clears, but what was beyond a high or low set point
    when it left its range stays beyond; ``alarm`` raises, ``suppress`` suppresses."""
    maximum_shelving: ShelvingDuration = LONGEST_SHELVING
    """Longest shelving; zero means that it cannot be shelved."""
    re_alarm: PositiveDuration | None = None
    """Highest priority only: repeat an unresolved alarm after this time."""
    first_out_group: Text | None = None
    """Alarms of one group that come together mark which came first."""
    basis: Text
    """Where the setpoint comes from: a standard, a handbook, common practice, a site document."""

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        limit = self.condition in LIMIT_CONDITIONS
        rate = self.condition in {"rate high", "rate low"}
        for wrong, message in (
            (limit and self.setpoint is None, f'condition "{self.condition}" needs a setpoint'),
            (
                not limit and (self.setpoint is not None or bool(self.setpoint_by_state)),
                f'condition "{self.condition}" takes no setpoint; remove it',
            ),
            (
                not limit and self.deadband is not None,
                f'condition "{self.condition}" takes no deadband; remove it',
            ),
            (
                (self.condition == "deviation") != (self.deviation_from is not None),
                'deviation_from belongs to condition "deviation" and is needed there',
            ),
            (rate != (self.window is not None), 'window belongs to conditions "rate high" and "rate low"'),
            (
                (self.condition == "link down") != (self.input == "every controller"),
                'condition "link down" and input "every controller" belong together',
            ),
            (
                self.input in _EVERY and self.condition != "bad quality",
                f'input "{self.input}" belongs to condition "bad quality"',
            ),
            (
                self.re_alarm is not None and self.priority != "highest",
                "re_alarm is for the highest priority only",
            ),
            (
                not self.ack_required
                and (self.priority != "low" or self.alarm_class == "safety" or self.latching),
                "it must be acknowledged unless low, not latching and not safety; remove ack_required",
            ),
            (
                self.alarm_class == "safety"
                and (bool(self.states) or bool(self.suppressed_by) or self.quality_policy == "suppress"),
                "a safety alarm is never suppressed; remove states, suppressed_by and quality_policy",
            ),
            (
                not self.states and (self.settle_time > 0 or self.longest_suppression is not None),
                "settle_time and longest_suppression need states",
            ),
            (
                self.on_delay > self.time_to_respond / 10 and self.alarm_class == "safety",
                "the on_delay of a safety alarm may be a tenth of time_to_respond at most",
            ),
        ):
            if wrong:
                raise ValueError(message)
        return self


class AlarmOverride(StrictModel):
    """What a site or unit changes of a packaged alarm; what is not named stays."""

    enabled: bool = True
    """False removes the alarm from this site or unit, visibly in ``tegwatch check``."""
    setpoint: Text | None = None
    """Another setpoint, with unit."""
    setpoint_by_state: dict[StateName, Text] | None = None
    """Other setpoints by operating state."""
    deadband: Text | None = None
    """Another deadband, with unit or as a share of the set point."""
    on_delay: Delay | None = None
    """Another on-delay."""
    off_delay: Delay | None = None
    """Another off-delay."""
    priority: PriorityName | None = None
    """Another priority."""
    ack_required: bool | None = None
    """Whether it stays, once gone, until somebody has acknowledged it; false for low priority only."""
    maximum_shelving: ShelvingDuration | None = None
    """Another longest shelving; zero means that it cannot be shelved."""
    response: Text | None = None
    """The site's own response."""
    basis: Text | None = None
    """Why it was changed: document, person, date. An alarm of the safety class is changed only with it."""


def _defines(value: object) -> str:
    keys = value if isinstance(value, dict) else getattr(value, "__dict__", {})
    return "definition" if "input" in keys or "condition" in keys else "change"


AlarmEntry = Annotated[
    Annotated[AlarmDefinition, Tag("definition")] | Annotated[AlarmOverride, Tag("change")],
    Discriminator(_defines),
]
"""What a site file says under ``[alarms.NAME]``: with ``input`` or ``condition`` an alarm of its own, which
needs everything that a packaged one has; without them a change of an alarm that exists."""


@dataclass(frozen=True, slots=True)
class SetPoint:
    """``factor * reference + offset`` within bounds, all SI; without a reference just ``offset``."""

    offset: float
    reference: str = ""
    factor: float = 1.0
    at_least: float = -math.inf
    at_most: float = math.inf

    def value(self, reference: float | None) -> float | None:
        """Return the setpoint [SI], or ``None`` while the value it refers to is absent."""
        if not self.reference:
            return self.offset
        if reference is None:
            return None
        return min(max(self.factor * reference + self.offset, self.at_least), self.at_most)


@dataclass(frozen=True, slots=True)
class ResolvedAlarm:
    """One alarm of one unit, ready to be evaluated: SI numbers, no text to parse.

    ``id`` is unique in the unit: the name in the alarm set, followed by a dot and the signal or controller
    for alarms that exist once for each of them. ``source`` says where ``input`` is looked up. ``controller``
    is the controller that a signal hangs on, empty for results. ``setpoint_quantity`` is the quantity of
    setpoint and alarm value: a temperature difference for the deviation of a temperature.
    ``deadband_share`` is a deadband as a share of the setpoint, beside the fixed one. ``blinds`` are the
    titles of the alarms that a bad instrument makes blind. ``own`` is true for an alarm that the site has
    defined itself.
    """

    id: str
    title: str
    input: str
    source: Literal["signal", "result", "link"]
    condition: Condition
    quantity: Quantity
    setpoint_quantity: Quantity
    priority: PriorityName
    alarm_class: AlarmClass
    consequence: str
    causes: tuple[str, ...]
    response: str
    time_to_respond: float
    basis: str
    controller: str = ""
    setpoint: SetPoint | None = None
    setpoint_by_state: Mapping[str, SetPoint] = field(default_factory=dict)
    deviation_from: str = ""
    window: float = 0.0
    deadband: float = 0.0
    deadband_share: float = 0.0
    on_delay: float = 0.0
    off_delay: float = 0.0
    states: frozenset[str] = frozenset()
    settle_time: float = 0.0
    longest_suppression: float | None = None
    suppressed_by: tuple[str, ...] = ()
    latching: bool = False
    ack_required: bool = True
    quality_policy: QualityPolicy = "hold"
    maximum_shelving: float = LONGEST_SHELVING
    re_alarm: float | None = None
    first_out_group: str = ""
    blinds: tuple[str, ...] = ()
    own: bool = False

    def band(self, setpoint: float) -> float:
        """Return how far the value must go back past a setpoint [SI]."""
        return self.deadband + self.deadband_share * abs(setpoint)


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """An alarm that a unit does not have, and why: an input is missing or the site has switched it off."""

    alarm: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class ResolvedSet:
    """The alarms of one unit and, as visibly, those it goes without."""

    alarms: tuple[ResolvedAlarm, ...]
    switched_off: tuple[SwitchedOff, ...]
