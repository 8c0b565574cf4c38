"""The alarms of one unit: the packaged set with what site and unit change of it, and alarms of their own.

An alarm whose input a unit lacks, or whose setpoint it does not give, is not silently absent: it comes back
among ``ResolvedSet.switched_off`` with its reason, for ``tegwatch check`` to show.
"""

from __future__ import annotations

import difflib
import functools
from collections.abc import Iterator, Mapping
from dataclasses import replace

from config.alarm_blindness import told_by_instruments
from config.alarm_inputs import known_of, missing_signals
from config.alarm_reach import beyond_range
from config.alarm_resolving import Absent, Found, Layer, Resolver, packaged
from config.alarms import AlarmDefinition, AlarmOverride, AlarmSetError, ResolvedSet
from config.daemon_alarms import daemon_alarm_problems, packaged_daemon_alarms
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.setpoints import Known, site_values
from config.signals import quantity_of
from config.site import DehydrationUnit, Site
from config.toml_lines import KeyPath
from config.units import UnitContext, display_units


@functools.cache
def packaged_alarms() -> Mapping[str, AlarmDefinition]:
    """Return the packaged alarm definitions by name, in the order of the file."""
    return packaged("default_alarms.toml")


def resolve_alarms(site: Site, unit: DehydrationUnit) -> ResolvedSet:
    """Return the alarms of one unit of a site: the packaged set in its order, then the site's own.

    Raises
    ------
    AlarmSetError
        The site changes an alarm that does not exist, or in a way that does not fit, or defines one that
        cannot be.
    """
    resolved, errors = _resolve(site, unit)
    if errors:
        raise errors[0]
    return resolved


def alarm_problems(site: Site) -> Iterator[AlarmSetError]:
    """Yield every mistake in what a site says of alarms, each once."""
    seen: set[KeyPath] = set()
    for index, unit in enumerate(site.units):
        resolved, errors = _resolve(site, unit)
        for error in (*errors, *_out_of_reach(site, unit, ("units", index), resolved)):
            if error.path not in seen:
                seen.add(error.path)
                yield error
    yield from daemon_alarm_problems(site)


def _resolve(site: Site, unit: DehydrationUnit) -> tuple[ResolvedSet, list[AlarmSetError]]:
    index = next(i for i, other in enumerate(site.units) if other is unit)  # not equality: it costs
    layers: list[Layer] = [(("alarms",), site.alarms), (("units", index, "alarms"), unit.alarms)]
    resolver = Resolver(_Unit(site, unit), packaged_alarms(), layers, frozenset(packaged_daemon_alarms()))
    resolved, errors = resolver.run()
    decided = {
        name
        for _, table in layers
        for name, entry in table.items()
        if isinstance(entry, AlarmOverride) and entry.priority is not None
    }
    kept = {alarm.id for alarm in resolved.alarms if decided & {alarm.id, alarm.id.partition(".")[0]}}
    alarms = told_by_instruments(resolved.alarms, known_of(unit), kept)
    return replace(resolved, alarms=alarms), [*errors, *_unknown(site, layers, resolver.names)]


def _out_of_reach(
    site: Site, unit: DehydrationUnit, path: KeyPath, resolved: ResolvedSet
) -> Iterator[AlarmSetError]:
    """Yield each signal whose range ends before the set point of a safety alarm: it could never come."""
    context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
    display = display_units(site.site.unit_system, context)
    for reach in beyond_range(unit, resolved.alarms, context):
        alarm = reach.alarm
        if not reach.never or alarm.alarm_class != "safety":
            continue
        given = unit.signals[alarm.input].checks.gross_range is not None
        key: KeyPath = ("checks", "gross_range") if given else ("range",)
        write = display[alarm.setpoint_quantity].format
        way = "above" if alarm.condition == "high" else "below"
        message = (
            f"makes every value {way} {write(reach.end)} count as bad, so the safety alarm {alarm.id} "
            f"at {write(reach.setpoint)} could never come"
        )
        fix = (
            f"use a transmitter whose range goes well beyond {write(reach.setpoint)} and write its "
            f"range here, or set [alarms.{alarm.id}] within this one, with its basis"
        )
        yield AlarmSetError((*path, "signals", alarm.input, *key), message, fix)


def _unknown(site: Site, layers: list[Layer], names: set[str]) -> Iterator[AlarmSetError]:
    """Yield changes to alarms that do not exist; a site-wide one may be for another unit's signal."""
    others = {name for unit in site.units for name in unit.alarms}
    for path, table in layers:
        for name, entry in table.items():
            base = name.partition(".")[0]
            elsewhere = len(path) == 1 and (
                base in packaged_alarms() or base in packaged_daemon_alarms() or base in others
            )
            if name in names or elsewhere or isinstance(entry, AlarmDefinition):
                continue
            close = difflib.get_close_matches(name, sorted(names), n=1)
            fix = (
                f'did you mean "{close[0]}"?'
                if close
                else "see tegwatch alarms catalogue; one of your own needs title, input, condition and more"
            )
            yield AlarmSetError((*path, name), f'there is no alarm "{name}"', fix)


class _Unit:
    """What the alarms of one unit can look at."""

    def __init__(self, site: Site, unit: DehydrationUnit) -> None:
        self._unit = unit
        self._signals = {name: quantity_of(name, signal) for name, signal in unit.signals.items()}
        self._has = known_of(unit)
        results = {name: kind.quantity for name, kind in RESULT_KINDS.items()}
        self.context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
        self.known = Known(site_values(unit), self._signals | results)
        self.names = frozenset(SIGNAL_KINDS) | frozenset(RESULT_KINDS)
        self.names |= {name for each in site.units for name in each.signals}

    def instances(self, definition: AlarmDefinition) -> Mapping[str, str] | None:
        """Return the unit's signals or controllers for an alarm that each of them has."""
        if definition.input == "every signal":
            return {name: name.replace("_", " ") for name in self._unit.signals}
        if definition.input == "every controller":
            return {signal.controller: signal.controller for signal in self._unit.signals.values()}
        return None

    def find_instance(self, definition: AlarmDefinition, instance: str) -> Found:
        """Return the signal, or the controller's link."""
        if definition.input == "every controller":
            return Found("link", instance, Quantity.NUMBER)
        return self._signal(instance)

    def find(self, name: str) -> Found:
        """Return where a name is looked up: a result where it can be calculated, else the signal."""
        missing = missing_signals(name, self._has) if name in RESULT_KINDS else ()
        if name in RESULT_KINDS and not missing:
            return Found("result", name, RESULT_KINDS[name].quantity)
        if name in self._unit.signals:
            return self._signal(name)
        if missing:
            raise Absent(f"{name} cannot be calculated without {', '.join(missing)}")
        raise Absent(f"the unit has no signal {name}")

    def _signal(self, name: str) -> Found:
        return Found("signal", name, self._signals[name], self._unit.signals[name].controller)
