"""What the API says and takes. Values are in the site's display units, with the unit beside each."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class View(BaseModel):
    """Base of everything that the API returns."""

    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True)


class ValueView(View):
    """One measured or calculated value. A bad value is null, never zero and never the last one."""

    name: str
    description: str
    kind: Literal["signal", "result"]
    quantity: str
    value: float | None
    """In ``unit``."""
    unit: str
    text: str
    """Value and unit as they are shown; an en dash for a bad value."""
    uncertainty: float | None
    """One standard deviation, in ``unit``; null for measured values without one."""
    quality: Literal["good", "uncertain", "bad"]
    status: str
    """OPC UA status name."""
    reason: str
    """What made the quality less than good."""
    time: str
    """When the source measured it, UTC, RFC 3339."""
    age: float | None
    """Seconds from the source's time to the scan's; null for results."""


class UnitView(View):
    """One dehydration unit as of its last scan."""

    name: str
    title: str
    state: str
    """Operating state."""
    time: str
    """When the scan was taken, UTC, RFC 3339."""
    sequence: int
    scan_period: float
    """Seconds."""
    signals: list[ValueView]
    results: list[ValueView]


class AlarmView(View):
    """One alarm: where it stands, and what it means."""

    unit: str
    alarm: str
    title: str
    state: str
    """ISA-18.2 / IEC 62682 short name: NORM, UNACK, ACKED, RTNUN, LUNACK, LACKED, SHLVD, DSUPR, OOSRV."""
    annunciated: bool
    priority: Literal["low", "medium", "high", "highest"]
    alarm_class: str
    occurrence: str
    """By which it is acknowledged; empty while there is none."""
    since: str | None
    """When it came to this state, UTC, RFC 3339; null before its first transition."""
    message: str
    reason: str
    value: str
    setpoint: str
    consequence: str
    causes: list[str]
    response: str
    time_to_respond: float
    """Seconds."""
    basis: str
    shelved_until: str | None
    first_out: bool


class TransitionView(View):
    """One step of an alarm's life."""

    unit: str
    alarm: str
    occurrence: str
    previous: str
    state: str
    event: str
    time: str
    priority: str
    message: str
    reason: str
    value: str
    setpoint: str
    actor: str
    comment: str
    first_out: bool


class LinkView(View):
    """The connection to one controller or broker."""

    controller: str
    state: str
    reason: str
    seconds_since_good: float | None
    """Null before the first good answer."""


class HealthView(View):
    """How the daemon itself is doing."""

    site: str
    status: Literal["ok", "degraded"]
    reasons: list[str]
    time: str
    version: str
    configuration: str
    """Hash of the configuration in force."""
    scans_taken: int
    scans_failed: int
    scans_refused: int
    """Not taken because the journal could not keep up."""
    scans_missed: int
    """Whole scan periods that passed unused."""
    worst_lateness: float
    """Seconds."""
    links: list[LinkView]
    journal: dict[str, float]
    sinks: dict[str, dict[str, float | str]]


class ActionRequest(BaseModel):
    """What an operator asks of an alarm."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)

    actor: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")]
    """Who asks."""
    occurrence: Annotated[str, Field(max_length=200)] = ""
    """Which occurrence is acknowledged."""
    duration: Annotated[float, Field(ge=0, le=86400)] = 0.0
    """How long it is shelved [s]."""
    comment: Annotated[str, Field(max_length=1000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")] = ""
    """Why."""


class ActionAnswer(View):
    """What the action changed, once it is kept durably; empty when it changed nothing."""

    transitions: list[TransitionView]


class Refusal(View):
    """Why a request was not carried out. Nothing has changed."""

    detail: str
