"""What the demonstration shows: a live picture in a terminal, or lines for a pipe."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from types import TracebackType
from typing import Any, Self

from pydantic import TypeAdapter
from rich.console import Console, RenderableType
from rich.live import Live as RichLive

from daemon.cli.demo_page import Page
from daemon.cli.terminal_view import TerminalState, render
from daemon.web.schemas import AlarmView, TransitionView, UnitView

_ALARMS = TypeAdapter(list[AlarmView])


def _transition_line(step: TransitionView) -> str:
    clock = step.time[11:19]
    return f"{clock}  {step.unit}  {step.previous} -> {step.state}  [{step.priority}] {step.message}"


def _story_line(event: dict[str, Any]) -> str:
    what = {"upset begins": "begins: ", "upset ends": "ends: "}.get(event["event"], "")
    return f"{event['elapsed']:6.0f} s   field  {event['subject']}  {what}{event['text']}"


class Live:
    """The live picture."""

    def __init__(self, title: str, page: Page) -> None:
        self._page = page
        self._state = TerminalState(title, door=page.words)
        self._started = self._heard = time.monotonic()
        self._console = Console()
        self._live = RichLive(
            get_renderable=self._frame, console=self._console, screen=True, refresh_per_second=4
        )

    def __enter__(self) -> Self:
        print(self._page.words, flush=True)  # stays behind on the screen when the picture has gone
        self._live.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.__exit__(kind, error, trace)

    def _frame(self) -> RenderableType:
        now = time.monotonic()
        self._state.age = now - self._heard
        self._state.caption = f"{now - self._started:.0f} s into the demonstration, Ctrl-C ends it"
        return render(self._state, self._console.height)

    def unit(self, body: dict[str, Any]) -> None:
        """Take a unit's newest values."""
        self._heard = time.monotonic()
        self._state.take(UnitView.model_validate(body))

    def alarm(self, body: dict[str, Any]) -> None:
        """Take a step of an alarm."""
        step = TransitionView.model_validate(body)
        if step.state != "DSUPR":
            self._state.log.append(_transition_line(step))

    def begin(self, units: list[str], alarms: list[dict[str, Any]]) -> None:
        """Take the names of the units, in the order in which they are shown."""
        self._state.order = units

    def alarms(self, body: list[dict[str, Any]]) -> None:
        """Take the alarm list."""
        self._state.alarms = _ALARMS.validate_python(body)

    def upset(self, event: dict[str, Any]) -> None:
        """Take a step of the simulated story."""
        self._state.log.append(_story_line(event))


class Headless:
    """Lines on standard output: the story, every step of every alarm with its meaning, and a summary."""

    def __init__(self, title: str, page: Page, *, as_json: bool) -> None:
        self._title = title
        self._page = page
        self._as_json = as_json
        self._scans: dict[str, int] = {}
        self._steps: list[TransitionView] = []
        self._known: dict[tuple[str, str], AlarmView] = {}
        self._latest: dict[str, UnitView] = {}

    def __enter__(self) -> Self:
        started = {"kind": "started", "site": self._title, "page": asdict(self._page)}
        self._print(started, f"{self._title}\n{self._page.words}")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        raised = sum(step.event == "condition true" and step.state == "UNACK" for step in self._steps)
        returned = sum(step.event == "condition false" for step in self._steps)
        summary = {"kind": "summary", "scans": self._scans, "raised": raised, "returned": returned}
        scans = ", ".join(f"{unit} {count}" for unit, count in self._scans.items())
        self._print(summary, f"Scans: {scans}. Alarms raised: {raised}, returned to normal: {returned}.")

    def begin(self, units: list[str], alarms: list[dict[str, Any]]) -> None:
        """Take what every configured alarm means."""
        for alarm in _ALARMS.validate_python(alarms):
            self._known[(alarm.unit, alarm.alarm)] = alarm

    def unit(self, body: dict[str, Any]) -> None:
        """Take a unit's newest values; the first of each unit and every tenth are printed."""
        unit = UnitView.model_validate(body)
        count = self._scans.get(unit.name, 0)
        self._scans[unit.name] = count + 1
        if count % 10 == 0:
            by_name = {value.name: value for value in (*unit.signals, *unit.results)}
            parts = [
                f"{label} {by_name[name].text}"
                for label, name in (
                    ("reboiler", "reboiler_temperature"),
                    ("strokes", "stroke_rate"),
                    ("lean", "lean_mass_fraction"),
                    ("outlet dew point", "outlet_dew_point"),
                    ("margin", "dew_point_margin"),
                )
                if name in by_name
            ]
            text = f"{unit.time[11:19]}  {unit.name}  {unit.state}: {', '.join(parts)}"
            self._print({"kind": "unit", **body}, text)

    def alarm(self, body: dict[str, Any]) -> None:
        """Take and print a step of an alarm."""
        step = TransitionView.model_validate(body)
        self._steps.append(step)
        if step.state == "DSUPR" and not self._as_json:
            return  # nothing that anybody need see: such an alarm is not in force just now
        text = _transition_line(step)
        meaning = self._known.get((step.unit, step.alarm))
        if step.state == "UNACK" and meaning is not None:
            text += f"\n          If ignored: {meaning.consequence}\n          Do: {meaning.response}"
        self._print({"kind": "alarm", **body}, text)

    def alarms(self, body: list[dict[str, Any]]) -> None:
        """Take the alarm list; lines tell steps, not what stands."""

    def upset(self, event: dict[str, Any]) -> None:
        """Take and print a step of the simulated story."""
        self._print({"kind": "field", **event}, _story_line(event))

    def _print(self, body: dict[str, Any], text: str) -> None:
        print(json.dumps(body, ensure_ascii=False) if self._as_json else text, flush=True)
