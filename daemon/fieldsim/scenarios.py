"""Named upsets, and stories: upsets in a timed sequence. Pure: what acts at a time is a function of the time.

All times of a story are seconds of wall time, also where a time factor speeds the plant up.
"""

from __future__ import annotations

import enum
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, ValidationError, model_validator

from config.base import StrictModel
from config.fields import Duration
from config.units import UnitContext
from daemon.fieldsim.instruments import Fault, has_signal
from daemon.fieldsim.state import UNDISTURBED, PlantInputs


class UpsetKind(enum.StrEnum):
    """What can go wrong; the value is its name in a story."""

    BURNER_STICKS_ON = "burner sticks on"
    BURNER_OUT = "burner out"
    PUMP_SLOWS = "pump slows"
    PUMP_STOPS = "pump stops"
    STRAINER_PLUGS = "strainer plugs"
    WORN_PUMP_SEALS = "worn pump seals"
    HOT_WET_GAS = "hot wet gas"
    GAS_RATE_SURGE = "gas rate surge"
    PRESSURE_DROP = "pressure drop"
    FOAMING = "foaming"
    GLYCOL_LOSS = "glycol loss"
    TRANSMITTER_FROZEN = "transmitter frozen"
    TRANSMITTER_LOW = "transmitter below range"
    TRANSMITTER_HIGH = "transmitter above range"
    BAD_REGISTER = "bad register"
    STROKE_COUNTER_RESET = "stroke counter reset"
    CONTROLLER_DROPS_OFF = "controller drops off"
    CONTROLLER_SILENT = "controller silent"
    CONTROLLER_LATE = "controller answers late"


_INSTRUMENT_FAULTS: dict[UpsetKind, Fault] = {
    UpsetKind.TRANSMITTER_FROZEN: "frozen",
    UpsetKind.TRANSMITTER_LOW: "low",
    UpsetKind.TRANSMITTER_HIGH: "high",
    UpsetKind.BAD_REGISTER: "bad",
}

LinkFault = Literal["none", "closed", "silent", "late"]
_LINK_FAULTS: dict[UpsetKind, LinkFault] = {
    UpsetKind.CONTROLLER_DROPS_OFF: "closed",
    UpsetKind.CONTROLLER_SILENT: "silent",
    UpsetKind.CONTROLLER_LATE: "late",
}
_AT_ONCE = {*_INSTRUMENT_FAULTS, *_LINK_FAULTS, UpsetKind.STROKE_COUNTER_RESET, UpsetKind.BURNER_OUT,
            UpsetKind.BURNER_STICKS_ON}  # fmt: skip


class Upset(StrictModel):
    """One upset of one unit: it starts, grows over its ramp, holds, and from its end on fades as it grew."""

    kind: UpsetKind = Field(strict=False)
    """What goes wrong."""
    unit: Annotated[int, Field(ge=1)] = 1
    """Which unit of the site, counted from 1."""
    start: Duration
    """When it starts."""
    end: Duration
    """When it begins to fade."""
    ramp: Duration = 0.0
    """How long it takes to grow, and to fade."""
    severity: Annotated[float, Field(gt=0, le=2)] = 1.0
    """1 is a plain case of its kind."""
    signal: str | None = None
    """For transmitters and registers: which one."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.end <= self.start:
            raise ValueError(f"{self.kind.value}: ends before it starts; end is a time, not a length")
        if (self.kind in _INSTRUMENT_FAULTS) != (self.signal is not None):
            raise ValueError(f'{self.kind.value}: signal = "..." belongs to transmitters and registers only')
        if self.signal is not None and not has_signal(self.signal):
            raise ValueError(f'{self.kind.value}: the plant has no signal "{self.signal}"')
        return self

    def strength(self, time: float) -> float:
        """Return how much of it acts at a time of the story, 0 to ``severity``."""
        if time < self.start:
            return 0.0
        if self.kind in _AT_ONCE or self.ramp == 0.0:
            return self.severity if time < self.end else 0.0
        grown = min(1.0, (min(time, self.end) - self.start) / self.ramp)
        faded = max(0.0, time - self.end) / self.ramp
        return self.severity * max(0.0, grown - faded)


class Story(StrictModel):
    """Upsets in a timed sequence."""

    name: str
    """What it is called on the command line."""
    title: str = ""
    """What it shows."""
    time_factor: Annotated[float, Field(gt=0, le=1000)] = 1.0
    """For which speed of the process clock it was written."""
    repeat: Duration | None = None
    """Starts over after this time; absent means that it happens once."""
    upsets: tuple[Upset, ...] = ()
    """What happens."""

    def at(self, time: float, unit: int) -> Disturbance:
        """Return what acts on a unit (counted from 1) at a time [s] since the story began."""
        rounds, now = divmod(time, self.repeat) if self.repeat else (0.0, time)
        own = [upset for upset in self.upsets if upset.unit == unit]
        resets = [upset for upset in own if upset.kind is UpsetKind.STROKE_COUNTER_RESET]
        happened = int(rounds) * len(resets) + sum(upset.start <= now for upset in resets)
        return combine(own, now, counter_resets=happened)


@dataclass(frozen=True, slots=True)
class Disturbance:
    """All that acts on one unit at one instant."""

    inputs: PlantInputs = UNDISTURBED
    faults: Mapping[str, Fault] = field(default_factory=dict)
    link: LinkFault = "none"
    counter_resets: int = 0
    """How often the stroke counter has been set to zero so far."""
    active: frozenset[str] = frozenset()
    """Names of what acts, a transmitter's with its signal."""


def combine(upsets: Iterable[Upset], time: float, *, counter_resets: int = 0) -> Disturbance:
    """Add up what several upsets of one unit do at a time; of two of a kind the stronger counts."""
    strength: dict[UpsetKind, float] = {}
    faults: dict[str, Fault] = {}
    link: LinkFault = "none"
    active: set[str] = set()
    for upset in upsets:
        now = upset.strength(time)
        if now == 0.0:
            continue
        strength[upset.kind] = max(now, strength.get(upset.kind, 0.0))
        active.add(upset.kind.value if upset.signal is None else f"{upset.kind.value}: {upset.signal}")
        if upset.signal is not None:
            faults[upset.signal] = _INSTRUMENT_FAULTS[upset.kind]
        link = _LINK_FAULTS.get(upset.kind, link)

    def of(kind: UpsetKind) -> float:
        return strength.get(kind, 0.0)

    stopped = min(1.0, of(UpsetKind.PUMP_STOPS))
    inputs = PlantInputs(
        burner_stuck_on=of(UpsetKind.BURNER_STICKS_ON) > 0.0,
        burner_out=of(UpsetKind.BURNER_OUT) > 0.0,
        stroke_rate_factor=max(0.0, 1.0 - 0.65 * of(UpsetKind.PUMP_SLOWS)) * (1.0 - stopped),
        strainer_plugging=min(1.0, 0.8 * of(UpsetKind.STRAINER_PLUGS)),
        seal_leak=min(0.5, 0.15 * of(UpsetKind.WORN_PUMP_SEALS)),
        gas_temperature_rise=12.0 * of(UpsetKind.HOT_WET_GAS),
        gas_rate_factor=1.0 + 0.5 * of(UpsetKind.GAS_RATE_SURGE),
        pressure_factor=max(0.3, 1.0 - 0.35 * of(UpsetKind.PRESSURE_DROP)),
        foaming=min(1.0, of(UpsetKind.FOAMING)),
        glycol_loss=0.5 * of(UpsetKind.GLYCOL_LOSS),
    )
    return Disturbance(inputs, faults, link, counter_resets, frozenset(active))


def _upset(kind: UpsetKind, unit: int, start: float, end: float, ramp: float = 0.0) -> Upset:
    return Upset(kind=kind, unit=unit, start=start, end=end, ramp=ramp)


CALM = Story(name="calm", title="ordinary running")
DEMO = Story(
    name="demo",
    title="one reboiler overheats, the other pump falls below its stall rate; hot gas, a lost controller",
    time_factor=40.0,
    repeat=100.0,
    upsets=(
        _upset(UpsetKind.BURNER_STICKS_ON, 1, 8.0, 36.0),
        _upset(UpsetKind.PUMP_SLOWS, 2, 16.0, 50.0, 4.0),
        _upset(UpsetKind.HOT_WET_GAS, 1, 42.0, 62.0, 4.0),
        Upset(kind=UpsetKind.TRANSMITTER_LOW, unit=2, start=60.0, end=74.0, signal="still_top_temperature"),
        _upset(UpsetKind.CONTROLLER_DROPS_OFF, 1, 72.0, 84.0),
        _upset(UpsetKind.STROKE_COUNTER_RESET, 1, 92.0, 93.0),
    ),
)


def single(kind: UpsetKind) -> Story:
    """Return the story of one upset on the first unit: from 20 s to 5 min, at the plant's own speed."""
    signal = "reboiler_temperature" if kind in _INSTRUMENT_FAULTS else None
    upset = Upset(kind=kind, start=20.0, end=300.0, ramp=30.0, signal=signal)
    return Story(name=kind.value.replace(" ", "-"), title=f"{kind.value} on the first unit", upsets=(upset,))


STORIES: dict[str, Story] = {story.name: story for story in (CALM, DEMO, *map(single, UpsetKind))}
"""Stories by the name that the command line takes."""


class StoryError(ValueError):
    """A story that is not known or cannot be used; the message says what to write instead."""


def find_story(name: str) -> Story:
    """Return a packaged story by name, or read one from a TOML file.

    Raises
    ------
    StoryError
        Unknown name, or a file that does not hold a story.
    """
    if name in STORIES:
        return STORIES[name]
    path = Path(name)
    if path.suffix != ".toml":
        raise StoryError(f'no story "{name}"; use a TOML file or one of {", ".join(STORIES)}')
    try:
        return Story.model_validate(
            _tuples(tomllib.loads(path.read_text(encoding="utf-8"))), context=UnitContext()
        )
    except (OSError, tomllib.TOMLDecodeError, ValidationError) as error:
        raise StoryError(f"{path} holds no story: {error}") from error


def _tuples(data: dict[str, object]) -> dict[str, object]:
    """Turn TOML's arrays into the tuples that a strict model takes."""
    return {key: tuple(value) if isinstance(value, Sequence) and not isinstance(value, str) else value
            for key, value in data.items()}  # fmt: skip
