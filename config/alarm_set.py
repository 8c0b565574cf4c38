"""The alarms of one unit: the packaged set, what the site and the unit change, resolved to SI numbers.

An alarm whose input a unit lacks, or whose setpoint it does not give, is not silently absent: it comes back
among ``ResolvedSet.switched_off`` with its reason, for ``tegwatch check`` to show.
"""

from __future__ import annotations

import difflib
import functools
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError

from config.alarm_inputs import known_of, missing_signals
from config.alarms import (
    AlarmDefinition,
    AlarmOverride,
    AlarmSetError,
    ResolvedAlarm,
    ResolvedSet,
    SetPoint,
    SwitchedOff,
)
from config.daemon_alarms import daemon_alarm_problems, packaged_daemon_alarms
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.setpoints import (
    GIVEN_BY_THE_SITE,
    Known,
    MissingValueError,
    SetPointError,
    difference,
    parse_setpoint,
    site_values,
)
from config.signals import SignalBase
from config.site import DehydrationUnit, Site
from config.toml_lines import KeyPath
from config.units import UnitContext, UnitError, parse_quantity

_DEFINITIONS = TypeAdapter(dict[str, AlarmDefinition])


@functools.cache
def packaged_alarms() -> Mapping[str, AlarmDefinition]:
    """Return the packaged alarm definitions by name, in the order of the file."""
    text = resources.files("config").joinpath("default_alarms.toml").read_text(encoding="utf-8")
    # By way of JSON, whose arrays strict models take as tuples.
    return _DEFINITIONS.validate_json(json.dumps(tomllib.loads(text)), context=UnitContext())


def resolve_alarms(site: Site, unit: DehydrationUnit) -> ResolvedSet:
    """Return the alarms of one unit of a site, in the order of the packaged set.

    Raises
    ------
    AlarmSetError
        The site changes an alarm that does not exist, or in a way that does not fit.
    """
    resolved, errors = _resolve(site, unit)
    if errors:
        raise errors[0]
    return resolved


def alarm_problems(site: Site) -> Iterator[AlarmSetError]:
    """Yield every mistake in what a site changes of the packaged alarms, each once."""
    seen: set[KeyPath] = set()
    for unit in site.units:
        for error in _resolve(site, unit)[1]:
            if error.path not in seen:
                seen.add(error.path)
                yield error
    yield from daemon_alarm_problems(site)


def _resolve(site: Site, unit: DehydrationUnit) -> tuple[ResolvedSet, list[AlarmSetError]]:
    resolver = _Resolver(site, unit)
    alarms: list[ResolvedAlarm] = []
    switched_off: list[SwitchedOff] = []
    errors: list[AlarmSetError] = []
    for name, definition in packaged_alarms().items():
        for candidate in resolver.candidates(name, definition):
            try:
                alarms.append(resolver.resolve(candidate))
            except _Absent as absent:
                switched_off.append(SwitchedOff(candidate.id, candidate.title, str(absent)))
            except AlarmSetError as error:
                errors.append(error)
    errors.extend(resolver.unknown_names())
    return ResolvedSet(tuple(alarms), tuple(switched_off)), errors


class _Absent(Exception):  # noqa: N818 - no error: an alarm that this unit goes without
    """Why a unit does not have an alarm."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One alarm of the unit before it is resolved: its definition and the signal or controller it is for."""

    id: str
    base: str
    title: str
    definition: AlarmDefinition
    instance: str = ""


@dataclass(slots=True)
class _Merged:
    """A definition with a site's changes, and for every change where it was made."""

    definition: AlarmDefinition
    origins: dict[str, KeyPath] = field(default_factory=dict)

    def error(self, key: str, error: SetPointError) -> AlarmSetError:
        return AlarmSetError(self.origins.get(key, ("alarms",)), str(error), error.fix)


class _Resolver:
    """Resolves the alarms of one unit."""

    def __init__(self, site: Site, unit: DehydrationUnit) -> None:
        self._unit = unit
        self._context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
        index = next(i for i, other in enumerate(site.units) if other is unit)  # not equality: it costs
        self._layers: list[tuple[KeyPath, Mapping[str, AlarmOverride]]] = [
            (("alarms",), site.alarms),
            (("units", index, "alarms"), unit.alarms),
        ]
        self._signal_quantities = {
            name: quantity
            for name, signal in unit.signals.items()
            if (quantity := _signal_quantity(name, signal)) is not None
        }
        results = {name: kind.quantity for name, kind in RESULT_KINDS.items()}
        self._has = known_of(unit)
        self._known = Known(site_values(unit), self._signal_quantities | results)
        self._all_names: set[str] = set()

    def candidates(self, name: str, definition: AlarmDefinition) -> Iterator[_Candidate]:
        """Yield one alarm, or one for every signal or controller of the unit."""
        self._all_names.add(name)
        if definition.input == "every signal":
            instances = tuple(self._unit.signals)
        elif definition.input == "every controller":
            instances = tuple(dict.fromkeys(signal.controller for signal in self._unit.signals.values()))
        else:
            yield _Candidate(name, name, definition.title, definition)
            return
        for instance in instances:
            shown = instance.replace("_", " ") if definition.input == "every signal" else instance
            self._all_names.add(f"{name}.{instance}")
            yield _Candidate(f"{name}.{instance}", name, f"{definition.title}: {shown}", definition, instance)

    def unknown_names(self) -> Iterator[AlarmSetError]:
        """Yield changes to alarms that do not exist; a site-wide one may be for another unit's signal."""
        for path, overrides in self._layers:
            for name in overrides:
                base = name.partition(".")[0]
                elsewhere = len(path) == 1 and (base in packaged_alarms() or name in packaged_daemon_alarms())
                if name in self._all_names or elsewhere:
                    continue
                close = difflib.get_close_matches(name, sorted(self._all_names), n=1)
                fix = f'did you mean "{close[0]}"?' if close else "see the list in config/default_alarms.toml"
                yield AlarmSetError((*path, name), f'there is no alarm "{name}"', fix)

    def resolve(self, candidate: _Candidate) -> ResolvedAlarm:
        """Return the alarm in SI, or raise ``_Absent`` with the reason why this unit has none."""
        merged = self._merge(candidate)
        definition = merged.definition
        source, name = self._input(candidate)
        quantity = self._quantity(source, name)
        compared = quantity
        if definition.condition in {"deviation", "rate high", "rate low"}:
            compared = difference(quantity)
        if definition.deviation_from is not None:
            self._find(definition.deviation_from)
        setpoint, by_state = self._setpoints(merged, compared)
        return ResolvedAlarm(
            id=candidate.id,
            title=candidate.title,
            input=name,
            source=source,
            condition=definition.condition,
            quantity=quantity,
            setpoint_quantity=compared,
            priority=definition.priority,
            alarm_class=definition.alarm_class,
            consequence=definition.consequence,
            causes=definition.causes,
            response=definition.response,
            time_to_respond=definition.time_to_respond,
            basis=definition.basis,
            controller=self._unit.signals[name].controller if source == "signal" else "",
            setpoint=setpoint,
            setpoint_by_state=by_state,
            deviation_from=definition.deviation_from or "",
            window=definition.window or 0.0,
            deadband=self._deadband(merged, difference(compared)),
            on_delay=definition.on_delay,
            off_delay=definition.off_delay,
            states=frozenset(definition.states),
            settle_time=definition.settle_time,
            longest_suppression=definition.longest_suppression,
            suppressed_by=definition.suppressed_by,
            latching=definition.latching,
            quality_policy=definition.quality_policy,
            maximum_shelving=definition.maximum_shelving,
            re_alarm=definition.re_alarm,
            first_out_group=definition.first_out_group or "",
        )

    def _merge(self, candidate: _Candidate) -> _Merged:
        changes: dict[str, Any] = {}
        merged = _Merged(candidate.definition)
        for path, overrides in self._layers:
            for name in dict.fromkeys((candidate.base, candidate.id)):
                override = overrides.get(name)
                if override is None:
                    continue
                if not override.enabled:
                    why = f": {override.basis}" if override.basis else ""
                    raise _Absent(f"switched off in the site file{why}")
                for key in override.model_fields_set - {"enabled"}:
                    changes[key] = getattr(override, key)
                    merged.origins[key] = (*path, name, key)
        if changes.get("priority", "highest") != "highest":
            changes["re_alarm"] = None  # repetition belongs to the highest priority only
        if changes:
            try:
                merged.definition = AlarmDefinition.model_validate(
                    candidate.definition.model_dump() | changes
                )
            except ValidationError as error:
                message = error.errors()[0]["msg"].removeprefix("Value error, ")
                path = next(iter(merged.origins.values()))[:-1]
                raise AlarmSetError(path, message, f"see {candidate.base} in the packaged set") from error
        return merged

    def _input(self, candidate: _Candidate) -> tuple[Literal["signal", "result", "link"], str]:
        if candidate.definition.condition == "link down":
            return "link", candidate.instance
        if candidate.instance:
            return "signal", candidate.instance
        return self._find(candidate.definition.input)

    def _find(self, name: str) -> tuple[Literal["signal", "result"], str]:
        """Return where a name is looked up: a result where it can be calculated, else the signal."""
        missing = missing_signals(name, self._has) if name in RESULT_KINDS else ()
        if name in RESULT_KINDS and not missing:
            return "result", name
        if name in self._unit.signals:
            return "signal", name
        if missing:
            raise _Absent(f"{name} cannot be calculated without {', '.join(missing)}")
        raise _Absent(f"the unit has no signal {name}")

    def _quantity(self, source: str, name: str) -> Quantity:
        if source == "result":
            return RESULT_KINDS[name].quantity
        return self._signal_quantities.get(name, Quantity.NUMBER)

    def _setpoints(self, merged: _Merged, quantity: Quantity) -> tuple[SetPoint | None, dict[str, SetPoint]]:
        definition = merged.definition
        if definition.setpoint is None:
            return None, {}
        if definition.setpoint == GIVEN_BY_THE_SITE:
            raise _Absent("no setpoint holds everywhere; give one in the site file")
        setpoint = self._setpoint(merged, "setpoint", definition.setpoint, quantity)
        by_state: dict[str, SetPoint] = {}
        for state, text in definition.setpoint_by_state.items():
            by_state[state] = self._setpoint(merged, "setpoint_by_state", text, quantity)
        return setpoint, by_state

    def _setpoint(self, merged: _Merged, key: str, text: str, quantity: Quantity) -> SetPoint:
        try:
            setpoint = parse_setpoint(text, quantity, self._known, self._context)
        except MissingValueError as missing:
            raise _Absent(f"the site file gives no {missing}") from missing
        except SetPointError as error:
            raise merged.error(key, error) from error
        if setpoint.reference:
            self._find(setpoint.reference)
        return setpoint

    def _deadband(self, merged: _Merged, quantity: Quantity) -> float:
        text = merged.definition.deadband
        if text is None:
            return 0.0
        try:
            deadband = parse_quantity(text, quantity, self._context)
        except UnitError as error:
            raise merged.error("deadband", SetPointError(str(error), "write a number with unit")) from error
        if deadband < 0:
            negative = SetPointError(
                f'the deadband "{text}" is negative', "write how far back, without a sign"
            )
            raise merged.error("deadband", negative)
        return deadband


def _signal_quantity(name: str, signal: SignalBase) -> Quantity | None:
    kind = SIGNAL_KINDS.get(name)
    return signal.quantity if kind is None else kind.quantity
