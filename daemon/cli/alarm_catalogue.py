"""What each alarm means, for the control room: from the packaged set, or as one site has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from config.alarm_set import packaged_alarms, resolve_alarms
from config.site import Site

CAUTION = (
    "This is no safety system and replaces no shutdown. Where a text and the site's own procedure differ, "
    "the site's procedure counts."
)
PRIORITIES = ("highest", "high", "medium", "low", "journal")


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One alarm as people read it."""

    unit: str
    alarm: str
    title: str
    priority: str
    alarm_class: str
    condition: str
    consequence: str
    causes: tuple[str, ...]
    response: str
    minutes_to_respond: float
    basis: str

    def facts(self) -> dict[str, Any]:
        """Return it for a program."""
        return asdict(self)


def packaged_entries() -> list[CatalogueEntry]:
    """Return the packaged set, the most important first."""
    entries = [
        CatalogueEntry(
            "",
            name,
            alarm.title,
            alarm.priority,
            alarm.alarm_class,
            _condition(alarm.condition, alarm.setpoint),
            alarm.consequence,
            alarm.causes,
            alarm.response,
            alarm.time_to_respond / 60.0,
            alarm.basis,
        )
        for name, alarm in packaged_alarms().items()
    ]
    return _sorted(entries)


def site_entries(site: Site) -> list[CatalogueEntry]:
    """Return the alarms in force at a site, with its own set points and texts."""
    from config.loader import unit_context
    from config.units import display_units

    units = display_units(site.site.unit_system, unit_context(site))
    entries = []
    for unit in site.units:
        for alarm in resolve_alarms(site, unit).alarms:
            point, limit = alarm.setpoint, None
            if point is not None:
                shown = units[alarm.setpoint_quantity]
                limit = f"from {point.reference}" if point.reference else shown.format(point.offset)
            entries.append(
                CatalogueEntry(
                    unit.name,
                    alarm.id,
                    alarm.title,
                    alarm.priority,
                    alarm.alarm_class,
                    _condition(alarm.condition, limit),
                    alarm.consequence,
                    alarm.causes,
                    alarm.response,
                    alarm.time_to_respond / 60.0,
                    alarm.basis,
                )
            )
    return _sorted(entries)


def _condition(kind: str, setpoint: object) -> str:
    return kind if setpoint is None else f"{kind}, set point {setpoint}"


def _sorted(entries: list[CatalogueEntry]) -> list[CatalogueEntry]:
    return sorted(entries, key=lambda one: (one.unit, PRIORITIES.index(one.priority)))


def markdown_of(entries: Sequence[CatalogueEntry]) -> str:
    """Return the catalogue as Markdown."""
    parts = ["# What each alarm means", CAUTION]
    unit = ""
    for entry in entries:
        if entry.unit != unit:
            unit = entry.unit
            parts.append(f"## Unit {unit}")
        causes = "\n".join(f"{number}. {cause}" for number, cause in enumerate(entry.causes, start=1))
        parts.append(
            f"### {entry.title}\n\n"
            f"`{entry.alarm}`, priority {entry.priority}, class {entry.alarm_class}; {entry.condition}; "
            f"time to respond {entry.minutes_to_respond:g} min\n\n"
            f"**If ignored:** {entry.consequence}\n\n"
            f"**Likely causes:**\n\n{causes}\n\n"
            f"**Do:** {entry.response}\n\n"
            f"*Basis:* {entry.basis}"
        )
    return "\n\n".join(parts) + "\n"


def show_catalogue(entries: Sequence[CatalogueEntry], *, markdown: bool) -> None:
    """Print the catalogue for people."""
    text = markdown_of(entries)
    if markdown:
        print(text, end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))
