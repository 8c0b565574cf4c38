"""What a site changes of packaged alarms, beside what is packaged: for people to see, not to be resolved.

An alarm of the safety class is changed or switched off only with a basis: whoever reads the file later must
find who decided it and on what ground.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from config.alarms import AlarmDefinition, AlarmEntry, AlarmOverride
from config.setpoints import GIVEN_BY_THE_SITE

WEIGHTY = (
    "setpoint",
    "setpoint_by_state",
    "deadband",
    "on_delay",
    "off_delay",
    "priority",
    "maximum_shelving",
)
"""Keys that decide whether and how an alarm comes."""


class Change(NamedTuple):
    """One key of one alarm: what is packaged, what the site says, and why."""

    alarm: str
    key: str
    packaged: object
    here: object
    basis: str


def without_basis(definition: AlarmDefinition, override: AlarmOverride) -> str | None:
    """Return the key for which a safety alarm needs a basis that is not given; ``None`` where all is well.

    A set point where none is packaged is no change.
    """
    if definition.alarm_class != "safety" or override.basis:
        return None
    if not override.enabled:
        return "enabled"
    for key in WEIGHTY:
        before = getattr(definition, key)
        given = key in override.model_fields_set and getattr(override, key) is not None
        if given and before != GIVEN_BY_THE_SITE and getattr(override, key) != before:
            return key
    return None


def changes(packaged: Mapping[str, AlarmDefinition], table: Mapping[str, AlarmEntry]) -> Iterator[Change]:
    """Yield what one table of a site file changes of set points, delays, priorities and the like."""
    for name, entry in table.items():
        definition = packaged.get(name.partition(".")[0])
        if definition is None or not isinstance(entry, AlarmOverride):
            continue
        for key in WEIGHTY:
            here, before = getattr(entry, key), getattr(definition, key)
            if key in entry.model_fields_set and here is not None and here != before:
                yield Change(name, key, before, here, entry.basis or "")
