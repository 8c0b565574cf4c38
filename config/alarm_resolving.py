"""From alarm definitions and what a site changes of them to ``ResolvedAlarm`` objects in SI.

A unit and the daemon itself have alarms by the same rules; what differs is what they can look at, a
``World``.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from typing import Any, Literal, NamedTuple, Protocol

from pydantic import TypeAdapter, ValidationError

from config.alarm_changes import without_basis
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
from config.setpoints import (
    GIVEN_BY_THE_SITE,
    Known,
    MissingValueError,
    SetPointError,
    difference,
    parse_setpoint,
)
from config.toml_lines import KeyPath
from config.units import UnitContext, UnitError, parse_quantity

Layer = tuple[KeyPath, Mapping[str, AlarmDefinition | AlarmOverride]]
"""What one table of the site file says of alarms, and the way to that table."""

_DEFINITIONS = TypeAdapter(dict[str, AlarmDefinition])
_NAME = re.compile(r"[a-z][a-z0-9_]{0,62}")
_DIFFERENCES = {"deviation", "rate high", "rate low"}
_STATES = {"state true", "state false"}
_SHARE = re.compile(r"(\d{1,2}(?:\.\d+)?) ?% of the set point")
_WITHOUT_SHARE = {Quantity.TEMPERATURE, Quantity.TEMPERATURE_DIFFERENCE, Quantity.PRESSURE}
"""Quantities whose zero is not that of the process: a share of their set point means nothing."""


class Absent(Exception):  # noqa: N818 - no error: an alarm that a unit goes without
    """Why a unit does not have an alarm."""


class Found(NamedTuple):
    """What an alarm looks at; ``controller`` is empty for what is calculated."""

    source: Literal["signal", "result", "link"]
    name: str
    quantity: Quantity
    controller: str = ""


class World(Protocol):
    """What the alarms of a unit, or of the daemon, can look at."""

    context: UnitContext
    known: Known
    """What setpoints may name."""
    names: frozenset[str]
    """Every name that an input can have at this site, those that this unit lacks too."""

    def instances(self, definition: AlarmDefinition) -> Mapping[str, str] | None:
        """Return for what the alarm exists once each, with the words for it; ``None`` for a single alarm."""
        ...

    def find(self, name: str) -> Found:
        """Return where an input is looked up; raise ``Absent`` with the reason where it is not there."""
        ...

    def find_instance(self, definition: AlarmDefinition, instance: str) -> Found:
        """Return what one of several instances looks at."""
        ...


def packaged(file: str) -> Mapping[str, AlarmDefinition]:
    """Read a file of definitions that comes with the program, in its order."""
    text = resources.files("config").joinpath(file).read_text(encoding="utf-8")
    # By way of JSON, whose arrays strict models take as tuples.
    return _DEFINITIONS.validate_json(json.dumps(tomllib.loads(text)), context=UnitContext())


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One alarm before it is resolved: its definition, and for which of several things it is."""

    id: str
    base: str
    title: str
    definition: AlarmDefinition
    origin: KeyPath = ()
    """Way to the definition in the site file; empty for a packaged one."""
    instance: str = ""


@dataclass(slots=True)
class _Merged:
    """A definition with a site's changes, and for every change where it was made."""

    definition: AlarmDefinition
    origins: dict[str, KeyPath] = field(default_factory=dict)

    def error(self, key: str, error: SetPointError) -> AlarmSetError:
        return AlarmSetError(self.origins.get(key, ("alarms",)), str(error), error.fix)


class Resolver:
    """Resolves the alarms of one unit or of the daemon.

    Parameters
    ----------
    world : World
        What they can look at.
    packaged : mapping of str to AlarmDefinition
        The definitions that come with the program.
    layers : sequence of Layer
        What the site file says, the more special later.
    taken : collection of str
        Names that an alarm of the site's own may not have.
    """

    def __init__(
        self,
        world: World,
        packaged: Mapping[str, AlarmDefinition],
        layers: Sequence[Layer],
        taken: frozenset[str] = frozenset(),
    ) -> None:
        self._world = world
        self._packaged = packaged
        self._layers = layers
        self._taken = taken
        self.names: set[str] = set()
        """Names of all alarms, with and without instance, also of those that are absent."""
        self._alarms: list[ResolvedAlarm] = []
        self._off: list[SwitchedOff] = []
        self._errors: list[AlarmSetError] = []

    def run(self) -> tuple[ResolvedSet, list[AlarmSetError]]:
        """Resolve everything: the packaged alarms in their order, then the site's own."""
        for name, definition in self._packaged.items():
            self._take(name, definition, ())
        own = self._own()
        for name, (definition, origin) in own.items():
            self._take(name, definition, origin)
        for name, (definition, origin) in own.items():
            self._errors += self._unknown_suppressors(name, definition, origin)
        return ResolvedSet(tuple(self._alarms), tuple(self._off)), self._errors

    def _take(self, name: str, definition: AlarmDefinition, origin: KeyPath) -> None:
        if origin and (wrong := self._wrong_input(definition, origin)):
            self.names.add(name)
            self._errors.append(wrong)
            return
        for candidate in self._candidates(name, definition, origin):
            try:
                self._alarms.append(self._resolve(candidate))
            except Absent as absent:
                self._off.append(SwitchedOff(candidate.id, candidate.title, str(absent)))
            except AlarmSetError as error:
                self._errors.append(error)

    def _own(self) -> dict[str, tuple[AlarmDefinition, KeyPath]]:
        """Return the site's own definitions, and where they stand; those of a unit win."""
        found: dict[str, tuple[AlarmDefinition, KeyPath]] = {}
        for path, table in self._layers:
            for name, entry in table.items():
                if not isinstance(entry, AlarmDefinition):
                    continue
                origin: KeyPath = (*path, name)
                if name in self._packaged or name in self._taken:
                    message = f'"{name}" is a packaged alarm and cannot be defined anew'
                    fix = "change single keys of it without input and condition, or choose another name"
                    self._errors.append(AlarmSetError(origin, message, fix))
                elif not _NAME.fullmatch(name):
                    fix = "use lower-case letters, digits and _, starting with a letter"
                    self._errors.append(AlarmSetError(origin, f'"{name}" is no name of an alarm', fix))
                else:
                    found[name] = entry, origin
        return found

    def _candidates(self, name: str, definition: AlarmDefinition, origin: KeyPath) -> Iterator[_Candidate]:
        self.names.add(name)
        instances = self._world.instances(definition)
        if instances is None:
            yield _Candidate(name, name, definition.title, definition, origin)
            return
        for instance, shown in instances.items():
            self.names.add(f"{name}.{instance}")
            title = f"{definition.title}: {shown}"
            yield _Candidate(f"{name}.{instance}", name, title, definition, origin, instance)

    def _wrong_input(self, definition: AlarmDefinition, origin: KeyPath) -> AlarmSetError | None:
        for key in ("input", "deviation_from"):
            name = getattr(definition, key)
            if name is None or name in self._world.names or name in {"every signal", "every controller"}:
                continue
            close = difflib.get_close_matches(name, sorted(self._world.names), n=1)
            fix = f'did you mean "{close[0]}"?' if close else "name a signal of the unit or a result"
            return AlarmSetError((*origin, key), f'"{name}" is no signal and no result', fix)
        if definition.setpoint == GIVEN_BY_THE_SITE:
            return AlarmSetError((*origin, "setpoint"), "gives no setpoint", "write a number with its unit")
        return None

    def _unknown_suppressors(
        self, name: str, definition: AlarmDefinition, origin: KeyPath
    ) -> Iterator[AlarmSetError]:
        for other in definition.suppressed_by:
            if other in self.names - {name}:
                continue
            close = difflib.get_close_matches(other, sorted(self.names - {name}), n=1)
            fix = f'did you mean "{close[0]}"?' if close else "name another alarm of the unit"
            yield AlarmSetError((*origin, "suppressed_by"), f'there is no other alarm "{other}"', fix)

    def _resolve(self, candidate: _Candidate) -> ResolvedAlarm:
        """Return the alarm in SI, or raise ``Absent`` with the reason why there is none."""
        merged = self._merge(candidate)
        definition = merged.definition
        found = (
            self._world.find_instance(definition, candidate.instance)
            if candidate.instance
            else self._world.find(definition.input)
        )
        if candidate.origin and definition.condition in _STATES and found.quantity is not Quantity.STATE:
            message = f"{found.name} is a {found.quantity.value} and no state"
            fix = 'use condition "high" or "low" with a setpoint'
            raise AlarmSetError((*candidate.origin, "condition"), message, fix)
        compared = difference(found.quantity) if definition.condition in _DIFFERENCES else found.quantity
        if definition.deviation_from is not None:
            self._world.find(definition.deviation_from)
        setpoint, by_state = self._setpoints(merged, compared)
        deadband, share = self._deadband(merged, compared)
        return ResolvedAlarm(
            id=candidate.id,
            title=candidate.title,
            input=found.name,
            source=found.source,
            condition=definition.condition,
            quantity=found.quantity,
            setpoint_quantity=compared,
            priority=definition.priority,
            alarm_class=definition.alarm_class,
            consequence=definition.consequence,
            causes=definition.causes,
            response=definition.response,
            time_to_respond=definition.time_to_respond,
            basis=definition.basis,
            controller=found.controller,
            setpoint=setpoint,
            setpoint_by_state=by_state,
            deviation_from=definition.deviation_from or "",
            window=definition.window or 0.0,
            deadband=deadband,
            deadband_share=share,
            on_delay=definition.on_delay,
            off_delay=definition.off_delay,
            states=frozenset(definition.states),
            settle_time=definition.settle_time,
            longest_suppression=definition.longest_suppression,
            suppressed_by=definition.suppressed_by,
            latching=definition.latching,
            ack_required=definition.ack_required,
            quality_policy=definition.quality_policy,
            maximum_shelving=definition.maximum_shelving,
            re_alarm=definition.re_alarm,
            first_out_group=definition.first_out_group or "",
            own=bool(candidate.origin),
        )

    def _merge(self, candidate: _Candidate) -> _Merged:
        changes: dict[str, Any] = {}
        merged = _Merged(candidate.definition)
        if candidate.origin:
            keys = candidate.definition.model_fields_set
            merged.origins = {key: (*candidate.origin, key) for key in keys}
        for path, table in self._layers:
            for name in dict.fromkeys((candidate.base, candidate.id)):
                override = table.get(name)
                if not isinstance(override, AlarmOverride):
                    continue
                if key := without_basis(candidate.definition, override):
                    message = f"{candidate.base} is a safety alarm and is changed without a basis"
                    fix = 'add basis = "document, person, date" beside it, or leave the alarm as it is'
                    raise AlarmSetError((*path, name, key), message, fix)
                if not override.enabled:
                    why = f": {override.basis}" if override.basis else ""
                    raise Absent(f"switched off in the site file{why}")
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
                path = merged.origins[next(iter(changes))][:-1]
                raise AlarmSetError(path, message, f"see the definition of {candidate.base}") from error
        return merged

    def _setpoints(self, merged: _Merged, quantity: Quantity) -> tuple[SetPoint | None, dict[str, SetPoint]]:
        definition = merged.definition
        if definition.setpoint is None:
            return None, {}
        if definition.setpoint == GIVEN_BY_THE_SITE:
            raise Absent("no setpoint holds everywhere; give one in the site file")
        setpoint = self._setpoint(merged, "setpoint", definition.setpoint, quantity)
        by_state: dict[str, SetPoint] = {}
        for state, text in definition.setpoint_by_state.items():
            by_state[state] = self._setpoint(merged, "setpoint_by_state", text, quantity)
        return setpoint, by_state

    def _setpoint(self, merged: _Merged, key: str, text: str, quantity: Quantity) -> SetPoint:
        try:
            setpoint = parse_setpoint(text, quantity, self._world.known, self._world.context)
        except MissingValueError as missing:
            raise Absent(f"the site file gives no {missing}") from missing
        except SetPointError as error:
            raise merged.error(key, error) from error
        if setpoint.reference:
            self._world.find(setpoint.reference)
        return setpoint

    def _deadband(self, merged: _Merged, quantity: Quantity) -> tuple[float, float]:
        """Return a deadband as a difference of the quantity compared [SI], and as a share of the setpoint."""
        text = merged.definition.deadband
        if text is None:
            return 0.0, 0.0
        if share := _SHARE.fullmatch(text):
            if quantity in _WITHOUT_SHARE:
                no_share = SetPointError(
                    f'"{text}" of a {quantity.value} has no meaning', "give it with its unit"
                )
                raise merged.error("deadband", no_share)
            return 0.0, float(share[1]) / 100.0
        try:
            deadband = parse_quantity(text, difference(quantity), self._world.context)
        except UnitError as error:
            raise merged.error("deadband", SetPointError(str(error), "write a number with unit")) from error
        if deadband < 0:
            negative = SetPointError(
                f'the deadband "{text}" is negative', "write how far back, without a sign"
            )
            raise merged.error("deadband", negative)
        return deadband, 0.0
