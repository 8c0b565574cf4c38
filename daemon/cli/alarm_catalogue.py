"""What each alarm means, for the control room: from the packaged sets, or as one site has them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from config.alarm_set import packaged_alarms, resolve_alarms
from config.alarms import AlarmDefinition, ResolvedAlarm
from config.daemon_alarms import DAEMON, packaged_daemon_alarms, resolve_daemon_alarms
from config.site import Site

CAUTION = (
    "This is no safety system and replaces no shutdown. Where a text and the site's own procedure differ, "
    "the site's procedure counts."
)
PRIORITIES = ("highest", "high", "medium", "low")


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One alarm as people read it; ``condition`` says when it comes and goes."""

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
    """Return the packaged sets, a unit's and the daemon's own, each the most important first."""
    return _sorted(
        _entry(unit, name, alarm, _written(alarm))
        for unit, alarms in (("", packaged_alarms()), (DAEMON, packaged_daemon_alarms()))
        for name, alarm in alarms.items()
    )


def site_entries(site: Site) -> list[CatalogueEntry]:
    """Return the alarms in force at a site, the daemon's own too, with the site's set points and texts."""
    from config.loader import unit_context
    from config.quantities import Quantity
    from config.units import display_units
    from daemon.monitor.alarms.messages import definition

    units = display_units(site.site.unit_system, unit_context(site))

    def write(quantity: Quantity, si: float) -> str:
        return units[quantity].format(si)

    def alarms() -> Iterator[tuple[str, ResolvedAlarm]]:
        for unit in site.units:
            yield from ((unit.name, alarm) for alarm in resolve_alarms(site, unit).alarms)
        yield from ((DAEMON, alarm) for alarm in resolve_daemon_alarms(site).alarms)

    return _sorted(_entry(unit, alarm.id, alarm, definition(alarm, write)) for unit, alarm in alarms())


def _entry(unit: str, name: str, alarm: AlarmDefinition | ResolvedAlarm, condition: str) -> CatalogueEntry:
    return CatalogueEntry(
        unit,
        name,
        alarm.title,
        alarm.priority,
        alarm.alarm_class,
        condition,
        alarm.consequence,
        alarm.causes,
        alarm.response,
        alarm.time_to_respond / 60.0,
        alarm.basis,
    )


def _written(alarm: AlarmDefinition) -> str:
    """Return a packaged condition as its file has it: what it comes to depends on the site."""
    return alarm.condition if alarm.setpoint is None else f"{alarm.condition}, set point {alarm.setpoint}"


def _sorted(entries: Iterable[CatalogueEntry]) -> list[CatalogueEntry]:
    return sorted(entries, key=lambda one: (one.unit == DAEMON, one.unit, PRIORITIES.index(one.priority)))


def markdown_of(entries: Sequence[CatalogueEntry]) -> str:
    """Return the catalogue as Markdown."""
    parts = ["# What each alarm means", CAUTION]
    unit = ""
    for entry in entries:
        if entry.unit != unit:
            unit = entry.unit
            parts.append("## The daemon's own" if unit == DAEMON else f"## Unit {unit}")
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
    from daemon.cli.console import standard_output

    text, out = markdown_of(entries), standard_output()
    if markdown or not out.is_terminal:
        print(text, end="")
        return
    from rich.markdown import Markdown

    out.print(Markdown(text))
