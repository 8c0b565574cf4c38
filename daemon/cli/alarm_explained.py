"""One alarm in full: how it stands, what it means, what may be behind it now, what to do."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table

from daemon.web.schemas import AlarmView, CauseView


def show_explained(alarm: AlarmView, console: Console) -> None:
    """Print it for people."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    for heading, text in _rows(alarm):
        table.add_row(heading, text)
    console.print(table, markup=False)
    console.print(
        "This is no safety system: the unit's own shutdowns and the site's procedures come first.",
        markup=False,
    )


def _rows(alarm: AlarmView) -> Iterator[tuple[str, str]]:
    yield "Alarm", f"{alarm.title} ({alarm.unit} {alarm.alarm})"
    yield "State", f"{alarm.state}  {alarm.message}"
    if alarm.since:
        yield "Since", f"{alarm.since}  occurrence {alarm.occurrence}"
    if alarm.shelved_until:
        sooner = ", sooner when its condition is gone" if alarm.shelved_until_return else ""
        yield "Shelved until", f"{alarm.shelved_until}{sooner}"
    if alarm.reason:
        yield "Because", alarm.reason
    yield "Comes when", alarm.definition
    yield "Priority", f"{alarm.priority}, class {alarm.alarm_class}"
    yield "If ignored", alarm.consequence
    if alarm.diagnosis:
        for number, cause in enumerate(alarm.diagnosis, start=1):
            yield "What moves fits" if number == 1 else "", "\n".join(_cause(number, cause))
    yield "Known causes", "\n".join(f"{number}. {one}" for number, one in enumerate(alarm.causes, start=1))
    yield "Do", alarm.response
    yield "Time to respond", f"{alarm.time_to_respond / 60:g} min"
    yield "Basis", alarm.basis


def _cause(number: int, cause: CauseView) -> Iterator[str]:
    yield f"{number}. {cause.fault} ({100 * cause.share:.0f} % of the belief; no verdict)"
    for label, evidence in (
        ("for", cause.evidence_for),
        ("against", cause.evidence_against),
        ("not known", cause.unknown),
    ):
        if evidence:
            yield f"   {label}: {', '.join(evidence)}"
    yield f"   check first: {cause.check}"
