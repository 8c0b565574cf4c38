"""What an operator reads of one alarm, and that nothing of it is lost on the way into a pipe."""

from __future__ import annotations

import pytest

from daemon.cli.alarm_explained import show_explained
from daemon.cli.console import standard_output
from daemon.web.schemas import AlarmView, CauseView

VIEW = AlarmView(
    unit="north",
    alarm="margin_low",
    title="Margin low",
    state="UNACK",
    annunciated=True,
    priority="medium",
    alarm_class="contract",
    occurrence="north.margin_low.1.1",
    since="2026-11-25T09:44:11.000Z",
    message="Margin low: 2 °F, low limit 5 °F [bold]",
    reason="",
    value="2 °F",
    setpoint="5 °F",
    consequence="Off-specification gas. " * 10,
    causes=["Gas hot", "Pump slow"],
    response="Look at the inlet cooler. " * 12,
    time_to_respond=1800.0,
    basis="ours",
    shelved_until=None,
    first_out=False,
    definition="dew point margin: below 5 °F",
    diagnosis=[
        CauseView(
            fault="gas hotter than usual",
            share=0.62,
            evidence_for=["gas temperature up"],
            evidence_against=["gas rate up, expected as usual"],
            unknown=["flash gas"],
            check="Look at the inlet cooler.",
        )
    ],
)


def test_it_says_definition_state_evidence_and_response(capsys: pytest.CaptureFixture[str]) -> None:
    show_explained(VIEW, standard_output())
    lines = capsys.readouterr().out.splitlines()
    rows = {line[:17].strip(): line[17:] for line in lines[:-1] if line[:17].strip()}
    assert rows["State"] == "UNACK  Margin low: 2 °F, low limit 5 °F [bold]"
    assert rows["Comes when"] == "dew point margin: below 5 °F"
    assert rows["If ignored"] == VIEW.consequence.strip()
    assert rows["Do"] == VIEW.response.strip()
    start = next(number for number, line in enumerate(lines) if line.startswith("What moves fits"))
    assert [line[17:] for line in lines[start : start + 5]] == [
        "1. gas hotter than usual (62 % of the belief; no verdict)",
        "   for: gas temperature up",
        "   against: gas rate up, expected as usual",
        "   not known: flash gas",
        "   check first: Look at the inlet cooler.",
    ]
    assert "no safety system" in lines[-1]


def test_without_evidence_there_is_no_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    show_explained(VIEW.model_copy(update={"diagnosis": []}), standard_output())
    out = capsys.readouterr().out
    assert "What moves fits" not in out
    assert "1. Gas hot" in out
