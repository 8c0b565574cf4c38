"""A unit with few alarms and a bench that drives its engine second by second."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from config.alarms import ResolvedAlarm, SetPoint
from config.quantities import Quantity
from daemon.model import (
    ActionKind,
    AlarmState,
    AlarmTransition,
    LikelyCause,
    Link,
    LinkState,
    OperatingState,
    OperatorAction,
    Reading,
    Result,
    Status,
)
from daemon.monitor.alarms import AlarmEngine, AlarmInputs, AlarmSnapshot

UNIT = "north"
START = 1_800_000_000.0
BOOT = 5_000.0


def alarm(**changes: Any) -> ResolvedAlarm:
    """A high alarm on ``level`` at 80, without delays or deadband, except for what is named."""
    base = ResolvedAlarm(
        id="level_high",
        title="Level high",
        input="level",
        source="signal",
        condition="high",
        quantity=Quantity.NUMBER,
        setpoint_quantity=Quantity.NUMBER,
        priority="medium",
        alarm_class="equipment",
        consequence="It spills.",
        causes=("Valve shut",),
        response="Open the valve.",
        time_to_respond=600.0,
        basis="test",
        setpoint=SetPoint(80.0),
    )
    return replace(base, **changes)


def predicted_alarm(**changes: Any) -> ResolvedAlarm:
    """An alarm on the result ``time_left`` below a quarter of an hour."""
    base = alarm(
        input="time_left",
        source="result",
        condition="predicted",
        quantity=Quantity.DURATION,
        setpoint_quantity=Quantity.DURATION,
        setpoint=SetPoint(900.0),
    )
    return replace(base, **changes)


def write(quantity: Quantity, si: float) -> str:
    return f"{si:g}"


def good(value: float | None, time: float = START) -> Reading:
    return Reading(value, Status.GOOD, time, BOOT)


def bad(reason: str = "open circuit", time: float = START) -> Reading:
    return Reading(None, Status.BAD_SENSOR_FAILURE, time, BOOT, reason)


class Bench:
    """Drives one engine; seconds count from zero, times are made from them."""

    def __init__(self, *alarms: ResolvedAlarm) -> None:
        self.alarms = alarms
        self.causes: tuple[LikelyCause, ...] = ()
        self.asked = 0
        self.engine = AlarmEngine(UNIT, alarms, write, self.diagnose)
        self.at = 0.0
        self.state = OperatingState.DRYING
        self.links: dict[str, Link] = {}
        self.results: dict[str, Result] = {}
        self.boot = BOOT

    def diagnose(self) -> tuple[LikelyCause, ...]:
        self.asked += 1
        return self.causes

    def scan(
        self, at: float, level: float | Reading | None = None, **signals: float | Reading
    ) -> tuple[AlarmTransition, ...]:
        """One evaluation ``at`` seconds; ``level`` and other signals as values or readings."""
        self.at = at
        given: dict[str, float | Reading] = dict(signals)
        if level is not None:
            given["level"] = level
        readings = {
            name: value if isinstance(value, Reading) else good(value, START + at)
            for name, value in given.items()
        }
        return self.engine.evaluate(
            AlarmInputs(START + at, self.boot + at, self.state, readings, self.results, self.links)
        )

    def act(
        self, kind: ActionKind, at: float | None = None, *, name: str = "level_high", **fields: Any
    ) -> tuple[AlarmTransition, ...]:
        """One operator's request, by Ada unless another is named."""
        self.at = self.at if at is None else at
        values: dict[str, Any] = {"actor": "Ada", **fields}
        return self.engine.apply(
            OperatorAction(kind, UNIT, name, time=START + self.at, monotonic=self.boot + self.at, **values)
        )

    def acknowledge(self, at: float | None = None, *, name: str = "level_high", **fields: Any) -> Any:
        return self.act(
            ActionKind.ACKNOWLEDGE, at, name=name, **{"occurrence": self.shown(name).occurrence, **fields}
        )

    def shelve(self, at: float | None = None, **fields: Any) -> Any:
        return self.act(ActionKind.SHELVE, at, **{"duration": 3600.0, "comment": "valve work", **fields})

    def shown(self, name: str = "level_high") -> AlarmSnapshot:
        return next(item for item in self.engine.snapshot() if item.alarm.id == name)

    def alarm_state(self, name: str = "level_high") -> AlarmState:
        return self.shown(name).state

    def restart(self, downtime: float = 0.0, *, boot: float = 17.0) -> tuple[AlarmTransition, ...]:
        """Save, forget everything, restore in a new process whose monotonic clock starts elsewhere."""
        saved = json.loads(json.dumps(self.engine.save(), allow_nan=False))
        self.engine = AlarmEngine(UNIT, self.alarms, write, self.diagnose)
        self.at += downtime
        self.boot = boot - self.at
        return self.engine.restore(saved, time=START + self.at, monotonic=self.boot + self.at)


def link(state: LinkState, reason: str = "") -> Link:
    return Link(state, since=BOOT, reason=reason)


def result(value: float | None, status: Status = Status.GOOD, reason: str = "") -> Result:
    return Result(value, None, status, reason)


def words(transitions: tuple[AlarmTransition, ...]) -> list[tuple[str, str, str]]:
    return [(step.alarm, step.event, step.state.value) for step in transitions]


def as_json(value: Mapping[str, object]) -> str:
    return json.dumps(value, sort_keys=True)
