"""What no single model can see: names that must exist, pairs that must fit, units of the right kind."""

from __future__ import annotations

import zoneinfo
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from config.controllers import Controller, ModbusBase, MqttBroker, SparkplugBroker
from config.daemon_alarms import DAEMON
from config.modbus_map import PlacementError, device_of, holes_on_wire, shared_lines, wire_range
from config.mqtt_consistency import mqtt_inconsistencies
from config.quantities import SIGNAL_KINDS, WITHOUT_UNIT, Quantity
from config.signals import ModbusSignal, MqttSignal, SignalBase, SparkplugSignal, step_of
from config.site import DehydrationUnit, Pump, Site
from config.thermostat import too_hot
from config.toml_lines import KeyPath
from config.units import EXAMPLE_UNITS, UnitContext, UnitError, conversion

BIT_TABLES = {"coil", "discrete"}
_BREAKDOWN = "404 degF (206.7 degC), also where the high-high alarm stands"
_COUNTED = {Quantity.STATE, Quantity.COUNT, Quantity.STROKE_COUNT}


@dataclass(frozen=True, slots=True)
class Inconsistency:
    """One thing that does not fit, by key path."""

    path: KeyPath
    message: str
    fix: str


def inconsistencies(site: Site) -> Iterator[Inconsistency]:
    """Yield everything in a site that does not fit together."""
    yield from _unique("controllers", [controller.name for controller in site.controllers])
    yield from _unique("units", [unit.name for unit in site.units])
    yield from _unique("sinks", [sink.name for sink in site.sinks])
    yield from _site_wide(site)
    yield from _modbus_lines(site)
    yield from (Inconsistency(*row) for row in mqtt_inconsistencies(site))
    context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
    # Where two have one name, which is told, the first counts.
    controllers = {controller.name: controller for controller in site.controllers[::-1]}
    for index, unit in enumerate(site.units):
        path: KeyPath = ("units", index)
        if unit.name == DAEMON:
            message = f'"{DAEMON}" is the name under which this program\'s own alarms stand'
            yield Inconsistency((*path, "name"), message, "give the unit another name")
        yield from _equipment(path, unit)
        for name, signal in unit.signals.items():
            yield from _signal((*path, "signals", name), name, signal, controllers, context)


def _unique(key: str, names: Iterable[str]) -> Iterator[Inconsistency]:
    seen: Counter[str] = Counter()
    for index, name in enumerate(names):
        seen[name] += 1
        if seen[name] == 2:
            yield Inconsistency(
                (key, index, "name"), f'"{name}" is used twice', "give each a name of its own"
            )


def _site_wide(site: Site) -> Iterator[Inconsistency]:
    try:
        zoneinfo.ZoneInfo(site.site.time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError):
        message = f'"{site.site.time_zone}" is no time zone'
        yield Inconsistency(("site", "time_zone"), message, 'use a name such as "America/Denver" or "UTC"')
    limit = site.site.pipeline_limit
    path: KeyPath = ("site", "pipeline_limit")
    if (limit.water_content is None) == (limit.dew_point is None):
        message = "needs either a water content or a dew point"
        fix = 'give water_content = "7 lb/MMscf", or dew_point = "-8 degC" with its pressure'
        yield Inconsistency(path, message, fix)
    elif limit.dew_point is not None and limit.pressure is None:
        message = "has a dew point but no pressure at which it holds"
        yield Inconsistency(path, message, 'add pressure = "70 bara" as the contract says')


def _equipment(path: KeyPath, unit: DehydrationUnit) -> Iterator[Inconsistency]:
    contactor = unit.contactor
    if (contactor.trays is None) == (contactor.theoretical_stages is None):
        fix = "give either trays (with tray_efficiency) or theoretical_stages"
        yield Inconsistency((*path, "contactor"), "does not say how many stages it has", fix)
    if too_hot(unit.reboiler.set_point):
        message = (
            f"is {unit.reboiler.set_point - 273.15:.1f} degC, where the glycol breaks down: {_BREAKDOWN}"
        )
        fix = "write where the thermostat stands; 375 to 400 degF (191 to 204 degC) is usual"
        yield Inconsistency((*path, "reboiler", "set_point"), message, fix)
    yield from (
        Inconsistency((*path, *found.path), found.message, found.fix)
        for found in _unique("pumps", [pump.name for pump in unit.pumps])
    )
    running = [pump.name for pump in unit.pumps if pump.in_service]
    if len(running) != 1:
        message = f"{len(running)} pumps are in service"
        yield Inconsistency((*path, "pumps"), message, "set in_service = false on all but one")
    for index, pump in enumerate(unit.pumps):
        yield from _pump((*path, "pumps", index), pump)


def _pump(path: KeyPath, pump: Pump) -> Iterator[Inconsistency]:
    if pump.stall_rate >= pump.maximum_rate:
        fix = "the stall rate is the lower of the two"
        yield Inconsistency((*path, "stall_rate"), "is not below maximum_rate", fix)
    accepted = pump.accepted_stall_rate
    if accepted is None:
        return
    if accepted.stroke_rate >= pump.stall_rate:
        message = "is not below the pump's own stall rate"
        fix = "leave accepted_stall_rate away: it is only for a lower rate"
        yield Inconsistency((*path, "accepted_stall_rate", "stroke_rate"), message, fix)
    if accepted.expires_on <= accepted.accepted_on:
        message = "is not after accepted_on"
        yield Inconsistency((*path, "accepted_stall_rate", "expires_on"), message, "an acceptance ends later")


def _signal(
    path: KeyPath,
    name: str,
    signal: SignalBase,
    controllers: Mapping[str, Controller],
    context: UnitContext,
) -> Iterator[Inconsistency]:
    yield from _signal_controller(path, signal, controllers)
    known = SIGNAL_KINDS.get(name)
    if known is None and signal.quantity is None:
        near = _near(name, SIGNAL_KINDS)
        fix = f"did you mean {near}? " if near else ""
        message = f'"{name}" is no signal that the calculation knows'
        yield Inconsistency(
            path, message, f'{fix}for a signal of your own add quantity = "temperature" or another'
        )
        return
    if known is not None and signal.quantity not in {None, known.quantity}:
        message = (
            f"{name} is a {known.quantity.value}, not a {signal.quantity.value if signal.quantity else ''}"
        )
        yield Inconsistency((*path, "quantity"), message, "leave quantity away")
        return
    quantity = known.quantity if known else signal.quantity
    assert quantity is not None  # noqa: S101 - both branches above return without one
    if not signal.unit and quantity not in WITHOUT_UNIT:
        fix = f'add unit = "..." with one of {EXAMPLE_UNITS[quantity]}'
        yield Inconsistency(path, f"has no unit for a {quantity.value}", fix)
    else:
        try:
            conversion(signal.unit, quantity, context)
        except UnitError as error:
            message, _, fix = str(error).partition("; ")
            yield Inconsistency((*path, "unit"), message, fix)
    if signal.range is not None and signal.range[0] >= signal.range[1]:
        yield Inconsistency((*path, "range"), "does not rise", "write the lower end first")
    yield from _storage((*path, "storage_deadband"), quantity, signal)
    if isinstance(signal, ModbusSignal):
        if name == "stroke_pulse":
            message = (
                "stroke_pulse is a message once a stroke, and a register is read whether there was one or not"
            )
            yield Inconsistency(
                path, message, "use stroke_switch for a contact or stroke_count for a counter"
            )
        found = list(_modbus_signal(path, quantity, signal))
        yield from found or _modbus_place(path, signal, controllers)
    if isinstance(signal, MqttSignal) and signal.payload != "number" and signal.path is None:
        fix = 'say where the value is, for example path = "values.reboiler"'
        yield Inconsistency(path, f"a {signal.payload} payload needs a path", fix)


def _near(name: str, known: Iterable[str]) -> str:
    import difflib  # noqa: PLC0415 - only for messages

    found = difflib.get_close_matches(name, list(known), n=1)
    return found[0] if found else ""


def _storage(path: KeyPath, quantity: Quantity, signal: SignalBase) -> Iterator[Inconsistency]:
    deadband, step = signal.storage_deadband, step_of(signal)
    if deadband is None:
        return
    if quantity in _COUNTED:
        message = f"does not go with a {quantity.value}: each of its changes counts"
        yield Inconsistency(path, message, "leave it away; what does not change takes no room anyway")
    elif step is not None and deadband < step:
        message = f"is below the signal's resolution of {step:g}: nothing would be held"
        yield Inconsistency(path, message, "leave it away, or give a multiple of the resolution")


def _signal_controller(
    path: KeyPath, signal: SignalBase, controllers: Mapping[str, Controller]
) -> Iterator[Inconsistency]:
    controller = controllers.get(signal.controller)
    if controller is None:
        names = ", ".join(list(controllers)[::-1])
        message = f'"{signal.controller}" is no controller of this site'
        yield Inconsistency((*path, "controller"), message, f"use one of {names}")
        return
    expected: type[SignalBase] = ModbusSignal
    if isinstance(controller, MqttBroker):
        expected = MqttSignal
    elif isinstance(controller, SparkplugBroker):
        expected = SparkplugSignal
    if not isinstance(signal, expected):
        needs = {
            ModbusSignal: "table, address and type",
            MqttSignal: "topic",
            SparkplugSignal: "edge_node and metric",
        }
        message = f"does not fit {controller.name}, which speaks {controller.protocol}"
        yield Inconsistency(path, message, f"give it {needs[expected]}")


def _modbus_lines(site: Site) -> Iterator[Inconsistency]:
    for index, device in shared_lines(site.controllers):
        message = f"{device} is the line of another controller already"
        fix = "make one controller of the two and give the signals a device_id"
        yield Inconsistency(("controllers", index, "device"), message, fix)
    for index, controller in enumerate(site.controllers):
        if isinstance(controller, ModbusBase):
            try:
                for hole in controller.holes:
                    holes_on_wire(controller, hole.table)
            except PlacementError as error:
                yield Inconsistency(("controllers", index, error.key), error.message, error.fix)


def _modbus_place(
    path: KeyPath, signal: ModbusSignal, controllers: Mapping[str, Controller]
) -> Iterator[Inconsistency]:
    controller = controllers.get(signal.controller)
    if isinstance(controller, ModbusBase):
        try:
            device_of(controller, signal)
            wire_range(controller, signal)
        except PlacementError as error:
            if error.key != "holes":  # told of the controller
                yield Inconsistency((*path, error.key), error.message, error.fix)


def _modbus_signal(path: KeyPath, quantity: Quantity, signal: ModbusSignal) -> Iterator[Inconsistency]:
    if signal.table in BIT_TABLES and signal.type != "bool":
        fix = 'a coil or discrete input is one bit: type = "bool"'
        yield Inconsistency((*path, "type"), f"a {signal.table} cannot hold a {signal.type}", fix)
    if signal.table not in BIT_TABLES and signal.type == "bool" and signal.bit is None:
        fix = "add bit = 0 to 15 for a state packed into a register"
        yield Inconsistency((*path, "type"), "a register is 16 bits, not one", fix)
    if signal.bit is not None and signal.type != "bool":
        yield Inconsistency((*path, "bit"), f"has no meaning for a {signal.type}", 'use type = "bool"')
    if (signal.type == "ascii") != (signal.length is not None):
        message = (
            "length belongs to type ascii" if signal.length is not None else "an ascii value needs its length"
        )
        yield Inconsistency(path, message, "give length = number of registers, with ascii only")
    if quantity is Quantity.STROKE_COUNT and signal.type.startswith(("float", "bool", "ascii")):
        message = f"a counter cannot be a {signal.type}"
        yield Inconsistency((*path, "type"), message, "use uint16 or uint32")
