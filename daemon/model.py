"""Words that every part of the daemon shares: readings with quality, scans, outcomes, alarm transitions.

Nothing here knows a clock, a socket or a file. Values are SI (absolute pressure, kelvin, standard cubic
metres at 15 degC and 101.325 kPa); times are POSIX seconds UTC, except fields called ``monotonic``, which
are seconds of a clock that never steps and on which every timer runs.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple


class Quality(enum.IntEnum):
    """How far a value can be trusted; the severity bits of an OPC UA status code."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class Status(enum.IntEnum):
    """Why a value has its quality: names and codes of OPC UA (OPC 10000-4, OPC 10000-8 tables 61 to 63)."""

    quality: Quality
    """Severity: the two top bits of the code; an attribute because every check of every scan asks for it."""

    def __new__(cls, code: int) -> Status:
        """Make a member that knows its severity."""
        member = int.__new__(cls, code)
        member._value_ = code
        member.quality = Quality(code >> 30)
        return member

    GOOD = 0x00000000
    GOOD_CLAMPED = 0x00300000
    GOOD_LOCAL_OVERRIDE = 0x00960000
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE = 0x408F0000
    UNCERTAIN_LAST_USABLE_VALUE = 0x40900000
    UNCERTAIN_SUBSTITUTE_VALUE = 0x40910000
    UNCERTAIN_INITIAL_VALUE = 0x40920000
    UNCERTAIN_SENSOR_NOT_ACCURATE = 0x40930000
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED = 0x40940000
    UNCERTAIN_SUB_NORMAL = 0x40950000
    UNCERTAIN_SIMULATED_VALUE = 0x42090000
    UNCERTAIN_DEPENDENT_VALUE_CHANGED = 0x40E20000
    BAD_TIMEOUT = 0x800A0000
    BAD_NO_COMMUNICATION = 0x80310000
    BAD_WAITING_FOR_INITIAL_DATA = 0x80320000
    BAD_OUT_OF_RANGE = 0x803C0000
    BAD_CONFIGURATION_ERROR = 0x80890000
    BAD_NOT_CONNECTED = 0x808A0000
    BAD_DEVICE_FAILURE = 0x808B0000
    BAD_SENSOR_FAILURE = 0x808C0000
    BAD_OUT_OF_SERVICE = 0x808D0000
    BAD_DEPENDENT_VALUE_CHANGED = 0x80E30000

    @property
    def opc_ua_name(self) -> str:
        """The name as OPC UA writes it, for example ``BadSensorFailure``."""
        return "".join(part.capitalize() for part in self.name.split("_"))


class Reading(NamedTuple):
    """One value with its quality and its time.

    A named tuple, not a frozen dataclass: tens of thousands are made each second, at a third of the cost.

    ``value`` is SI, or ``None`` when there is none to show: a bad value is absent, never zero and never
    the last one. ``time`` is when the source measured it (its own stamp where it sends one, else when the
    daemon received it). ``received`` is the monotonic time of receipt, from which age is judged.
    ``reason`` says in words what made the quality less than good; empty for a good value.
    """

    value: float | None
    status: Status
    time: float
    received: float
    reason: str = ""

    @property
    def quality(self) -> Quality:
        """Severity of the status."""
        return self.status.quality

    @property
    def usable(self) -> float | None:
        """The value if it is good or uncertain, ``None`` if it is bad or absent."""
        return None if self.status.quality is Quality.BAD else self.value

    def degraded(self, status: Status, reason: str) -> Reading:
        """Return the same reading at the worse of its own and the given status; a bad one loses its value."""
        if status.quality < self.status.quality:
            return self
        value = None if status.quality is Quality.BAD else self.value
        return Reading(value, status, self.time, self.received, reason)


class Result(NamedTuple):
    """A calculated value: SI, with the standard uncertainty (one standard deviation) of inputs and model.

    A named tuple for the same reason as ``Reading``.
    """

    value: float | None
    uncertainty: float | None
    status: Status
    reason: str = ""

    @property
    def quality(self) -> Quality:
        """Severity of the status."""
        return self.status.quality

    @property
    def usable(self) -> float | None:
        """The value if it is good or uncertain, ``None`` if it is bad or absent."""
        return None if self.status.quality is Quality.BAD else self.value


class LinkState(enum.StrEnum):
    """What the daemon knows of its connection to one controller or broker."""

    CONNECTING = "connecting"
    UP = "up"
    DEGRADED = "degraded"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class Link:
    """State of the connection to one controller, as it stood when a scan was taken.

    ``since`` is the monotonic time at which the state began, ``last_good`` that of the last good answer
    (``-inf`` before the first).
    """

    state: LinkState
    since: float
    last_good: float = -math.inf
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Scan:
    """All that one unit's monitor learns at one instant.

    ``readings`` holds the newest reading of every configured signal by signal name, also when it is old:
    ageing is judged by the monitor. ``links`` holds the controllers that this unit depends on, by name.
    ``sequence`` counts the scans of this unit since the daemon started, without gaps.
    """

    unit: str
    sequence: int
    time: float
    monotonic: float
    readings: Mapping[str, Reading]
    links: Mapping[str, Link] = field(default_factory=dict)


class OperatingState(enum.StrEnum):
    """What a dehydration unit is doing, judged from measured signals with hysteresis."""

    UNKNOWN = "unknown"
    SHUT_IN = "shut in"
    COLD = "cold"
    HEATING = "heating"
    READY = "ready"
    BYPASS_OPEN = "circulating with bypass open"
    DRYING = "drying"
    COOLING_DOWN = "cooling down"


class AlarmState(enum.StrEnum):
    """The alarm states of ISA-18.2 / IEC 62682 with their short names as values."""

    NORMAL = "NORM"
    UNACKNOWLEDGED = "UNACK"
    ACKNOWLEDGED = "ACKED"
    RETURNED_UNACKNOWLEDGED = "RTNUN"
    LATCHED_UNACKNOWLEDGED = "LUNACK"
    LATCHED_ACKNOWLEDGED = "LACKED"
    SHELVED = "SHLVD"
    SUPPRESSED_BY_DESIGN = "DSUPR"
    OUT_OF_SERVICE = "OOSRV"

    @property
    def annunciated(self) -> bool:
        """Whether the control room is shown the alarm."""
        return self not in {
            AlarmState.NORMAL,
            AlarmState.SHELVED,
            AlarmState.SUPPRESSED_BY_DESIGN,
            AlarmState.OUT_OF_SERVICE,
        }


class Priority(enum.StrEnum):
    """Alarm priority, from consequence and time to respond."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    HIGHEST = "highest"

    @property
    def severity(self) -> int:
        """OPC UA severity 1 to 1000 (OPC 10000-9), for receivers that sort by number."""
        return {"low": 250, "medium": 500, "high": 750, "highest": 950}[self.value]


@dataclass(frozen=True, slots=True)
class LikelyCause:
    """One known fault that may explain what is seen: no verdict, and never without evidence.

    ``share`` is its part of the belief, from 0 to 1, among all known faults and that nothing is wrong.
    ``evidence_for`` and ``evidence_against`` say what was seen, ``unknown`` what would tell more, ``check``
    what to look at first.
    """

    fault: str
    share: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    unknown: tuple[str, ...]
    check: str


NO_LONGER_CONFIGURED = "removed from configuration"
"""Event of the transition that ends an alarm which a new configuration does not have."""


@dataclass(frozen=True, slots=True)
class AlarmTransition:
    """One step of one alarm's life, complete enough to be read alone.

    ``occurrence`` identifies one raising of the alarm, from the first annunciation to its end: the id by
    which it is acknowledged and by which a receiver drops a repeat. ``value`` and ``setpoint`` are SI.
    ``actor`` is a user's name for operator actions and empty for the daemon's own transitions.
    ``alarm_class`` is empty in what was recorded before classes were. ``causes`` holds, where an occurrence
    begins and something moves, what would explain it, the likeliest first.
    """

    unit: str
    alarm: str
    occurrence: str
    previous: AlarmState
    state: AlarmState
    event: str
    time: float
    priority: Priority
    message: str
    reason: str
    value: float | None = None
    setpoint: float | None = None
    quantity: str = ""
    actor: str = ""
    comment: str = ""
    first_out: bool = False
    alarm_class: str = ""
    causes: tuple[LikelyCause, ...] = ()


@dataclass(frozen=True, slots=True)
class Event:
    """Something worth keeping that is not an alarm: a state change, a counter reset, an operator's entry."""

    unit: str
    kind: str
    time: float
    message: str
    data: Mapping[str, str | float | int | bool | None] = field(default_factory=dict)


class ActionKind(enum.StrEnum):
    """What an operator can ask of an alarm. None of it reaches a controller."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    REMOVE_FROM_SERVICE = "remove from service"
    RETURN_TO_SERVICE = "return to service"


@dataclass(frozen=True, slots=True)
class OperatorAction:
    """An operator's request to one alarm; refused with a reason rather than half done.

    ``occurrence`` is needed to acknowledge; ``duration`` in seconds and ``comment`` to shelve, and
    ``until_return`` where shelving ends before that when the condition is gone.
    """

    kind: ActionKind
    unit: str
    alarm: str
    actor: str
    time: float
    monotonic: float
    occurrence: str = ""
    duration: float = 0.0
    comment: str = ""
    until_return: bool = False


@dataclass(frozen=True, slots=True)
class StepInput:
    """What came into a step and cannot be told from its outcome; with both, history can be replayed exactly.

    ``raw`` holds readings as they came, of those signals only that the checks changed (``None``: the scan
    had no reading of it). ``links`` are those of the scan. ``action`` is set, and the rest empty, where the
    step was an operator's.
    """

    raw: Mapping[str, Reading | None] = field(default_factory=dict)
    links: Mapping[str, Link] = field(default_factory=dict)
    action: OperatorAction | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that one step decided: what is journaled, shown and sent on.

    ``signals`` are the readings of the scan after every check; ``results`` what was calculated from them.
    ``alarms`` are the transitions of this step in order. ``checkpoint`` is the monitor's saved state when it
    is due to be kept (at every transition and every so often), otherwise ``None``. ``given`` is what a replay
    needs beside the rest; ``None`` where no step made this outcome.
    """

    unit: str
    sequence: int
    time: float
    monotonic: float
    state: OperatingState
    signals: Mapping[str, Reading]
    results: Mapping[str, Result]
    alarms: tuple[AlarmTransition, ...] = ()
    events: tuple[Event, ...] = ()
    checkpoint: str | None = None
    given: StepInput | None = None


@dataclass(frozen=True, slots=True)
class ScanRecord:
    """One unit's values at one instant as the journal keeps them; statuses are OPC UA codes."""

    unit: str
    time: float
    state: OperatingState
    signals: Mapping[str, Reading]
    results: Mapping[str, Result]


class EntryKind(enum.StrEnum):
    """What a line of the journal holds, so that a reader can ask for some kinds only."""

    SCAN = "scan"
    ALARM = "alarm"
    EVENT = "event"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal. ``sequence`` only grows, whatever the clocks do; cursors point at it."""

    sequence: int
    unit: str
    time: float
    body: ScanRecord | AlarmTransition | Event

    @property
    def kind(self) -> EntryKind:
        """Which of the three kinds of body it has."""
        if isinstance(self.body, ScanRecord):
            return EntryKind.SCAN
        return EntryKind.ALARM if isinstance(self.body, AlarmTransition) else EntryKind.EVENT
