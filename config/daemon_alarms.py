"""The alarms of the daemon itself: the packaged set, what the site changes, resolved to SI numbers.

They belong to a unit of a reserved name. Their inputs are what the daemon knows of itself
(``daemon.monitor.daemon_monitor``): one for each unit and sink, and single figures.
"""

from __future__ import annotations

import functools
import json
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources

from pydantic import TypeAdapter, ValidationError

from config.alarms import (
    AlarmDefinition,
    AlarmOverride,
    AlarmSetError,
    ResolvedAlarm,
    ResolvedSet,
    SetPoint,
    SwitchedOff,
)
from config.quantities import Quantity
from config.site import Site
from config.units import UnitContext, parse_quantity

DAEMON = "daemon"
"""Name under which the daemon's own alarms stand; no unit of a site may have it."""

FIGURES: Mapping[str, Quantity] = {
    "load": Quantity.NUMBER,
    "scan_lateness": Quantity.DURATION,
    "journal": Quantity.NUMBER,
    "dropped": Quantity.COUNT,
    "disk_free": Quantity.FRACTION,
    "clock_step": Quantity.DURATION,
    "no_step": Quantity.DURATION,
    "clock_synchronised": Quantity.STATE,
    "tasks": Quantity.NUMBER,
    "archive": Quantity.NUMBER,
}
"""What the daemon knows of itself as a whole, with the quantity of each."""

_PER_INSTANCE = {"every unit": "evaluation", "every sink": "delivery"}
_DEFINITIONS = TypeAdapter(dict[str, AlarmDefinition])


@functools.cache
def packaged_daemon_alarms() -> Mapping[str, AlarmDefinition]:
    """Return the packaged definitions by name, in the order of the file."""
    text = resources.files("config").joinpath("daemon_alarms.toml").read_text(encoding="utf-8")
    return _DEFINITIONS.validate_json(json.dumps(tomllib.loads(text)), context=UnitContext())


def resolve_daemon_alarms(site: Site) -> ResolvedSet:
    """Return the daemon's alarms for a site; changes under ``[alarms.NAME]`` count as for a unit.

    Raises
    ------
    AlarmSetError
        The site changes one of them in a way that does not fit.
    """
    alarms: list[ResolvedAlarm] = []
    off: list[SwitchedOff] = []
    for name, packaged in packaged_daemon_alarms().items():
        override = site.alarms.get(name)
        if override is not None and not override.enabled:
            off.append(SwitchedOff(name, packaged.title, "switched off in the site file"))
        else:
            alarms.extend(_of_site(site, name, packaged, override))
    return ResolvedSet(tuple(alarms), tuple(off))


def daemon_alarm_problems(site: Site) -> Iterator[AlarmSetError]:
    """Yield every mistake in what a site changes of the daemon's alarms."""
    for name, packaged in packaged_daemon_alarms().items():
        try:
            _of_site(site, name, packaged, site.alarms.get(name))
        except AlarmSetError as error:
            yield error


def _of_site(
    site: Site, name: str, packaged: AlarmDefinition, override: AlarmOverride | None
) -> list[ResolvedAlarm]:
    definition = packaged
    try:
        if override is not None:
            changes = {key: getattr(override, key) for key in override.model_fields_set - {"enabled"}}
            definition = AlarmDefinition.model_validate(packaged.model_dump() | changes)
        if definition.input == "every unit":
            instances = tuple(unit.name for unit in site.units)
        elif definition.input == "every sink":
            instances = tuple(sink.name for sink in site.sinks)
        else:
            return [_resolved(name, definition.title, definition.input, definition)]
        kind = _PER_INSTANCE[definition.input]
        return [
            _resolved(f"{name}.{one}", f"{definition.title}: {one}", f"{kind}.{one}", definition)
            for one in instances
        ]
    except (ValidationError, ValueError) as error:
        fix = f"see {name} in the packaged set of the daemon's own alarms"
        raise AlarmSetError(("alarms", name), str(error), fix) from error


def _resolved(name: str, title: str, figure: str, definition: AlarmDefinition) -> ResolvedAlarm:
    quantity = FIGURES.get(figure, Quantity.NUMBER)
    setpoint = None if definition.setpoint is None else SetPoint(_number(definition.setpoint, quantity))
    return ResolvedAlarm(
        id=name,
        title=title,
        input=figure,
        source="result",
        condition=definition.condition,
        quantity=quantity,
        setpoint_quantity=quantity,
        priority=definition.priority,
        alarm_class=definition.alarm_class,
        consequence=definition.consequence,
        causes=definition.causes,
        response=definition.response,
        time_to_respond=definition.time_to_respond,
        basis=definition.basis,
        setpoint=setpoint,
        deviation_from=definition.deviation_from or "",
        deadband=0.0 if definition.deadband is None else _number(definition.deadband, quantity),
        on_delay=definition.on_delay,
        off_delay=definition.off_delay,
        suppressed_by=definition.suppressed_by,
        latching=definition.latching,
        quality_policy=definition.quality_policy,
        maximum_shelving=definition.maximum_shelving,
        re_alarm=definition.re_alarm,
    )


def _number(text: str, quantity: Quantity) -> float:
    return float(text) if quantity is Quantity.COUNT else parse_quantity(text, quantity)
