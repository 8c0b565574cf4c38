"""The alarms of the daemon itself: the packaged set, what the site changes, resolved to SI numbers.

They belong to a unit of a reserved name. Their inputs are what the daemon knows of itself
(``daemon.monitor.daemon_monitor``): one for each unit and sink, and single figures.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping

from config.alarm_resolving import Found, Resolver, packaged
from config.alarms import AlarmDefinition, AlarmOverride, AlarmSetError, ResolvedSet
from config.quantities import Quantity
from config.setpoints import Known
from config.site import Site
from config.toml_lines import KeyPath
from config.units import UnitContext

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


@functools.cache
def packaged_daemon_alarms() -> Mapping[str, AlarmDefinition]:
    """Return the packaged definitions by name, in the order of the file."""
    return packaged("daemon_alarms.toml")


def resolve_daemon_alarms(site: Site) -> ResolvedSet:
    """Return the daemon's alarms for a site; changes under ``[alarms.NAME]`` count as for a unit.

    Raises
    ------
    AlarmSetError
        The site changes one of them in a way that does not fit.
    """
    resolved, errors = _resolve(site)
    if errors:
        raise errors[0]
    return resolved


def daemon_alarm_problems(site: Site) -> Iterator[AlarmSetError]:
    """Yield every mistake in what a site changes of the daemon's alarms."""
    yield from _resolve(site)[1]


def _resolve(site: Site) -> tuple[ResolvedSet, list[AlarmSetError]]:
    # Alarms of the site's own are about units; of the daemon there are those that come with it.
    changes = {name: one for name, one in site.alarms.items() if isinstance(one, AlarmOverride)}
    path: KeyPath = ("alarms",)
    resolver = Resolver(_Daemon(site), packaged_daemon_alarms(), [(path, changes)])
    resolved, errors = resolver.run()
    for name in changes:
        base, _, one = name.partition(".")
        if one and base in packaged_daemon_alarms() and name not in resolver.names:
            message = f'"{name}" is for "{one}", which this site does not have'
            errors.append(AlarmSetError((*path, name), message, "name a unit or sink of this site"))
    return resolved, errors


class _Daemon:
    """What the daemon's own alarms can look at."""

    def __init__(self, site: Site) -> None:
        self._every = {
            "every unit": ("evaluation", tuple(unit.name for unit in site.units)),
            "every sink": ("delivery", tuple(sink.name for sink in site.sinks)),
        }
        self.context = UnitContext()
        self.known = Known({}, FIGURES)
        self.names = frozenset(FIGURES)

    def instances(self, definition: AlarmDefinition) -> Mapping[str, str] | None:
        """Return units or sinks for an alarm that each of them has."""
        if definition.input not in self._every:
            return None
        return {name: name for name in self._every[definition.input][1]}

    def find_instance(self, definition: AlarmDefinition, instance: str) -> Found:
        """Return how a unit is evaluated, or how a sink delivers."""
        return Found("result", f"{self._every[definition.input][0]}.{instance}", Quantity.NUMBER)

    def find(self, name: str) -> Found:
        """Return a figure of the daemon as a whole."""
        return Found("result", name, FIGURES[name])
