"""What the API says and takes. Values are in the site's display units, with the unit beside each."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from daemon.web.access.accounts import UserName
from daemon.web.access.permissions import Permission, Role

Scope = Literal[
    Permission.METRICS, Permission.VIEW, Permission.OPERATE, Permission.ENGINEER, Permission.ADMINISTER
]


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


class CauseView(View):
    """A known fault that would explain what moves, with the evidence; no verdict."""

    fault: str
    share: float
    """Part of the belief among all known faults, 0 to 1."""
    evidence_for: list[str]
    evidence_against: list[str]
    unknown: list[str]
    """What is not measured here and would tell more."""
    check: str
    """What to look at first."""


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
    """When its present occurrence was raised, UTC, RFC 3339; null while there is none."""
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
    shelved_until_return: bool = False
    """It comes back before that when its condition is gone."""
    first_out: bool
    definition: str = ""
    """When it comes and goes, and what may hide it; only where one alarm is asked for."""
    diagnosis: list[CauseView] = []
    """While the alarm stands: what would explain what moves on the unit, the likeliest first."""


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
    alarm_class: str = ""
    """Empty in what was recorded before alarms had classes."""
    likely_causes: list[CauseView] = []
    """Where an occurrence begins and something moves: what would explain it, the likeliest first."""


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
    commit: str
    """Commit from which the program was built; "unknown" where it runs from its sources."""
    configuration: str
    """Hash of the configuration in force."""
    clock_synchronised: bool | None
    """Whether the box's clock follows a time server; null where the box does not tell."""
    scans_taken: int
    scans_failed: int
    scans_refused: int
    """Not taken because the journal could not keep up."""
    scans_missed: int
    """Whole scan periods that passed unused."""
    worst_lateness: float
    """Seconds."""
    lateness_p99: float
    """99 % of scans since the start were taken within so many seconds of when they were due."""
    timer_lag: float
    """How late this box runs at present: median lateness of its timers [s]."""
    scan_stretch: int
    """Every unit is evaluated once in so many scan periods; more than 1 is overload."""
    links: list[LinkView]
    journal: dict[str, float]
    storage: StorageView
    sinks: dict[str, dict[str, float | str]]


class StorageView(View):
    """How the history stands on its disk; counts since the start."""

    archive_failing: str
    """Why closed periods cannot be archived, or which files cannot be read; empty when all is well."""
    archived_scans: int
    deleted_unarchived: int
    """Scans that were deleted before the archive had them, because archiving had failed for very long."""
    bytes: dict[Literal["journal", "scans", "minutes", "hours"], int] | None
    """The journal's file, and archive files by what they hold; null before the first look at them."""


class Request(BaseModel):
    """Base of everything that the API takes: an unknown field is refused."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)


class ReloadOrder(Request):
    """A request to read the site file again."""

    actor: Annotated[str, Field(max_length=64, pattern=r"^[^\x00-\x1f\x7f]*$")] = ""
    """Who asks, on the Unix socket; over TCP it is whoever is logged in."""
    reason: Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")]
    """Why; kept in the journal."""


class ReloadAnswer(View):
    """What a reload did."""

    previous: str
    """Hash of the configuration before."""
    configuration: str
    """Hash of the one in force now; the same where nothing has changed."""
    changed: list[str]
    """Keys that differ."""


class ActionRequest(Request):
    """What an operator asks of an alarm."""

    actor: Annotated[str, Field(max_length=64, pattern=r"^[^\x00-\x1f\x7f]*$")] = ""
    """Who asks, on the Unix socket; over TCP it is whoever is logged in."""
    comment: Annotated[str, Field(max_length=1000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")] = ""
    """Why."""


class AcknowledgeRequest(ActionRequest):
    """An acknowledgement of one occurrence: the one that was seen."""

    occurrence: Annotated[str, Field(max_length=200)] = ""
    """From the alarm list."""


class ShelveRequest(ActionRequest):
    """Shelving; needs a comment."""

    duration: Annotated[float, Field(ge=0, le=7 * 86400, allow_inf_nan=False)] = 0.0
    """How long [s]; 0 takes the usual time."""
    until_return: bool = False
    """End it before that when the condition is gone."""


class ActionAnswer(View):
    """What the action changed, once it is kept durably; empty when it changed nothing."""

    transitions: list[TransitionView]


class UnitNames(View):
    """A unit by its names."""

    name: str
    title: str


class SiteView(View):
    """The site: what it is called and how it shows values."""

    name: str
    title: str
    time_zone: str
    unit_system: Literal["us", "si"]
    pipeline_limit: str
    """What the pipeline accepts, in the site's units."""
    units: list[UnitNames]
    measures: dict[str, str]
    """Unit of measure by quantity."""


class SeriesView(View):
    """One stored series of a unit."""

    name: str
    kind: Literal["signal", "result"]
    description: str
    unit: str
    first: str | None
    """Earliest stored value of the dehydration unit, UTC."""
    last: str | None


class TrendSeries(View):
    """One series of a trend; lists are as long as the trend's ``time``, null where nothing is usable."""

    name: str
    kind: Literal["signal", "result"]
    description: str
    unit: str
    decimals: int
    """Digits after the point that mean something."""
    value: list[float | None]
    """Mean of the interval around the time; the stored value itself where the interval holds one scan."""
    minimum: list[float | None]
    maximum: list[float | None]
    uncertainty: list[float | None] | None
    """Largest standard uncertainty of the interval; null as a whole where none is kept."""
    quality: list[Literal["good", "uncertain", "bad", "none"]]
    """Worst of the interval."""


class TrendView(View):
    """Values for a picture. An interval with all null breaks the line: nothing was stored there."""

    unit: str
    start: float
    """POSIX seconds."""
    end: float
    width: float
    """Length of one interval [s]."""
    time: list[float]
    """Middle of each interval, POSIX seconds."""
    series: list[TrendSeries]
    unreadable: list[str]
    """What is wrong with archive files or rows that could not be read: the picture is without them."""


class LivenessView(View):
    """The process answers."""

    status: Literal["alive"] = "alive"


class ReadinessView(View):
    """Whether every unit is being watched."""

    status: Literal["ready", "not ready"]
    reasons: list[str]


class ConfigurationView(View):
    """The configuration in force."""

    hash: str
    """The same for the same meaning."""
    site: dict[str, Any]
    """All settings, SI units, secrets hidden."""


class LoginRequest(Request):
    """Name and password."""

    name: Annotated[str, Field(max_length=64)]
    password: Annotated[str, Field(max_length=256)]


class FirstUserRequest(Request):
    """The first user, made with the secret from the daemon's log."""

    secret: Annotated[str, Field(max_length=100)]
    name: UserName
    password: Annotated[str, Field(max_length=256)]


class PasswordRequest(Request):
    """A new password for oneself."""

    old: Annotated[str, Field(max_length=256)]
    new: Annotated[str, Field(max_length=256)]


class SessionView(View):
    """Who is asking, and what he may do."""

    name: str
    """Empty for the box's own user on the Unix socket."""
    permissions: list[Permission]
    via: Literal["unix socket", "session", "token"]
    csrf: str | None
    """To be sent in the header X-CSRF-Token with every change; null without a session."""
    locked: bool
    """An idle session that may look on, but must log in again to act."""


class UserView(View):
    """One user."""

    name: str
    role: Role
    password_changed: str


class NewUser(Request):
    """A user to be added."""

    name: UserName
    role: Role
    password: Annotated[str, Field(max_length=256)]


class RoleRequest(Request):
    """Another role for a user."""

    role: Role


class TokenView(View):
    """One token, without its secret."""

    id: str
    user: str
    scopes: list[Permission]
    created: str
    expires: str
    note: str


class NewToken(Request):
    """A token to be made."""

    user: UserName
    scopes: Annotated[list[Scope], Field(min_length=1, max_length=8)]
    days: Annotated[float, Field(gt=0, le=400, allow_inf_nan=False)] = 90.0
    note: Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")] = ""


class TokenSecret(View):
    """A new token with its secret, which is shown this once."""

    id: str
    secret: str
    expires: str


class Refusal(View):
    """Why a request was not carried out. Nothing has changed."""

    detail: str
    field: str = ""
    """Which part of the request is at fault, where one is and it can be told."""
