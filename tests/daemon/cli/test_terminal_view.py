"""What the terminal shows of alarms: the order, what may be behind them, and nothing that would mislead."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from daemon.cli.demo_page import Page
from daemon.cli.demo_views import Headless
from daemon.cli.terminal_view import TerminalState, render, sorted_alarms, why
from daemon.web.schemas import AlarmView, CauseView, UnitView, ValueView

PAGE = Page("http://127.0.0.1:1/", "demo", "abcde-fghij")
FAULT = CauseView(
    fault="gas hotter than usual", share=0.8, evidence_for=[], evidence_against=[], unknown=[], check="Look."
)
STEP = {
    "unit": "north",
    "occurrence": "o",
    "time": "2026-01-01T00:00:00Z",
    "priority": "low",
    "message": "Level low: 3 %",
    "reason": "",
    "value": "",
    "setpoint": "",
    "actor": "",
    "comment": "",
    "first_out": False,
}


def alarm(name: str, state: str = "UNACK", priority: str = "medium", **more: Any) -> AlarmView:
    facts: dict[str, Any] = {
        "unit": "north",
        "alarm": name,
        "title": name,
        "state": state,
        "annunciated": True,
        "priority": priority,
        "alarm_class": "equipment",
        "occurrence": "o",
        "since": "2026-01-01T00:00:00Z",
        "message": f"{name}: high",
        "reason": "",
        "value": "",
        "setpoint": "",
        "consequence": "It breaks.",
        "causes": ["Pump slow", "Gas hot"],
        "response": "Cut the fire.",
        "time_to_respond": 600.0,
        "basis": "",
        "shelved_until": None,
        "first_out": False,
        "diagnosis": [],
    }
    return AlarmView.model_validate(facts | more)


def drawn(*alarms: AlarmView) -> str:
    screen = Console(width=160, height=60, file=io.StringIO())
    with screen.capture() as capture:
        screen.print(render(TerminalState("site", alarms=list(alarms)), 60))
    return capture.get()


def test_the_stall_rate_is_whole_at_130_columns_with_two_units_beside_each_other() -> None:
    def value(name: str, text: str) -> ValueView:
        return ValueView(
            name=name, description=name, kind="result", quantity="stroke rate",
            value=float(text.partition(" ")[0]),
            unit="/min", text=text, uncertainty=0.25, quality="good", status="Good", reason="",
            time="2026-01-01T00:00:00Z", age=None,
        )  # fmt: skip

    def unit(name: str) -> UnitView:
        rows = [value("stroke_rate", "12.50 /min"), value("accepted_stall_rate", "10.00 /min")]
        return UnitView(
            name=name, title=name, state="drying", time="2026-01-01T00:00:00Z", sequence=1, scan_period=1.0,
            signals=[], results=rows,
        )  # fmt: skip

    state = TerminalState("site", order=["north", "south"])
    for _ in range(12):
        for name in state.order:
            state.take(unit(name))
    screen = Console(width=130, height=40, file=io.StringIO())
    with screen.capture() as capture:
        screen.print(render(state, 40))
    [line] = [line for line in capture.get().splitlines() if "stall below" in line]
    assert line.count("10.00 ± 0.25 /min") == 2
    assert "…" not in line


def test_the_head_says_where_the_page_is_and_how_to_get_in() -> None:
    screen = Console(width=140, height=40, file=io.StringIO())
    with screen.capture() as capture:
        screen.print(render(TerminalState("site", door=PAGE.words), 40))
    second = capture.get().splitlines()[1]
    assert all(word in second for word in (PAGE.address, PAGE.name, PAGE.password))


def test_what_nobody_has_seen_comes_first_and_what_stands_before_what_is_gone() -> None:
    shown = sorted_alarms(
        [
            alarm("seen", "ACKED", "highest"),
            alarm("gone", "RTNUN", "high"),
            alarm("small", "UNACK", "low"),
            alarm("stands", "UNACK", "high", since="2025-12-31T00:00:00Z"),
            alarm("hidden", "SHLVD", "highest", annunciated=False),
        ]
    )
    assert [one.alarm for one in shown] == ["stands", "small", "gone", "seen"]


def test_usual_causes_are_possible_and_only_what_fits_is_said_to_fit() -> None:
    assert why(alarm("margin")) == "Possible causes: Pump slow; Gas hot."
    assert why(alarm("margin", diagnosis=[FAULT])) == "Fits best: gas hotter than usual."


def test_nobody_is_told_to_act_on_a_condition_that_is_gone() -> None:
    assert "Do: Cut the fire." in drawn(alarm("reboiler"))
    gone = drawn(alarm("reboiler", "RTNUN"))
    assert "reboiler: high" in gone
    assert "Cut the fire" not in gone


def test_lines_leave_out_what_is_suppressed_by_design_and_count_what_came_and_went(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with Headless("site", PAGE, as_json=False) as lines:
        for alarm_name, previous, state, event in (
            ("bypass", "NORM", "DSUPR", "suppressed by design"),
            ("level", "NORM", "UNACK", "condition true"),
            ("level", "UNACK", "RTNUN", "condition false"),
            ("level", "RTNUN", "NORM", "acknowledged"),
        ):
            lines.alarm({**STEP, "alarm": alarm_name, "previous": previous, "state": state, "event": event})
    shown = capsys.readouterr().out
    assert PAGE.words in shown
    assert "DSUPR" not in shown
    assert "Alarms raised: 1, returned to normal: 1." in shown
