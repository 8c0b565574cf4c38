"""What must fit together where MQTT and sinks are concerned; one row for each thing that does not."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from config.controllers import MqttBase, MqttBroker
from config.quantities import RESULT_KINDS
from config.signals import MqttSignal
from config.sinks import ModbusServerSink, MqttSink
from config.site import Site
from config.toml_lines import KeyPath
from config.topics import check_filter, overlaps, parse_column, parse_path

Row = tuple[KeyPath, str, str]
"""Key path, what does not fit, and the fix."""


def mqtt_inconsistencies(site: Site) -> Iterator[Row]:
    """Yield what does not fit in MQTT signals and in sinks."""
    for index, unit in enumerate(site.units):
        for name, signal in unit.signals.items():
            if isinstance(signal, MqttSignal):
                yield from _signal(("units", index, "signals", name), signal)
    yield from _client_ids(site)
    for index, sink in enumerate(site.sinks):
        path: KeyPath = ("sinks", index)
        if isinstance(sink, MqttSink):
            yield from _loop(path, sink, site)
        if isinstance(sink, ModbusServerSink):
            yield from _shown(path, sink, site)
        else:
            yield from _units(path, sink.units, site)


def client_id(site: str, settings: MqttBase) -> str:
    """Return the client id of one connection: the configured one, or one made of site, role and name."""
    role = "sink" if isinstance(settings, MqttSink) else "source"
    return settings.client_id or f"tegwatch-{site}-{role}-{settings.name}"


def _signal(path: KeyPath, signal: MqttSignal) -> Iterator[Row]:
    try:
        check_filter(signal.topic)
    except ValueError as error:
        yield (*path, "topic"), str(error), 'write for example "field/reboiler" or "field/+/values"'
    parse = parse_path if signal.payload == "json" else parse_column
    for key, way in (("path", signal.path), ("time_path", signal.time_path)):
        if way is None:
            continue
        if signal.payload == "number":
            fix = 'give it payload = "json" or "csv", or leave the key out'
            yield (*path, key), "a plain number has no parts", fix
            continue
        try:
            parse(way)
        except ValueError as error:
            fix = 'write for example "values.reboiler", "points[0].v", or "3" for a CSV column'
            yield (*path, key), str(error), fix
    if signal.payload == "number" and any(level in {"+", "#"} for level in signal.topic.split("/")):
        fix = "name one topic, or read the value from a JSON payload by its path"
        yield (*path, "topic"), "a plain number on a wildcard topic does not say whose it is", fix


def _client_ids(site: Site) -> Iterator[Row]:
    seen: dict[tuple[str, int, str], str] = {}
    rows = [("controllers", index, each) for index, each in enumerate(site.controllers)]
    for key, index, each in [*rows, *(("sinks", index, each) for index, each in enumerate(site.sinks))]:
        if not isinstance(each, MqttBase):
            continue
        identity = (each.host, each.port, client_id(site.site.name, each))
        if identity in seen:
            message = f'"{identity[2]}" is the client id of {seen[identity]} on the same broker too'
            fix = "give each its own: a broker ends the older of two connections with the same id"
            yield (key, index, "client_id"), message, fix
        seen[identity] = each.name


def _loop(path: KeyPath, sink: MqttSink, site: Site) -> Iterator[Row]:
    """Find signals that would be read from what the daemon itself publishes."""
    root = f"{sink.prefix}/{site.site.name}"
    brokers = {
        controller.name
        for controller in site.controllers
        if isinstance(controller, MqttBroker) and (controller.host, controller.port) == (sink.host, sink.port)
    }
    for unit in site.units:
        for name, signal in unit.signals.items():
            if not isinstance(signal, MqttSignal) or signal.controller not in brokers:
                continue
            if overlaps(signal.topic, root):
                message = (
                    f'signal "{name}" of {unit.name} is read from "{signal.topic}", which takes in "{root}"'
                )
                yield (*path, "prefix"), message, "choose another prefix, or a narrower topic for the signal"
                return


def _shown(path: KeyPath, sink: ModbusServerSink, site: Site) -> Iterator[Row]:
    signals = {unit.name: unit.signals for unit in site.units}
    for index, value in enumerate(sink.values):
        place: KeyPath = (*path, "values", index)
        if value.unit not in signals:
            yield (*place, "unit"), f'there is no unit "{value.unit}"', _instead(value.unit, signals)
        elif value.signal is not None and value.signal not in signals[value.unit]:
            fix = _instead(value.signal, signals[value.unit])
            yield (*place, "signal"), f'{value.unit} has no signal "{value.signal}"', fix
        if value.result is not None and value.result not in RESULT_KINDS:
            fix = _instead(value.result, RESULT_KINDS)
            yield (*place, "result"), f'there is no result "{value.result}"', fix
    for index, alarm in enumerate(sink.alarms):
        if alarm.unit not in signals:
            fix = _instead(alarm.unit, signals)
            yield (*path, "alarms", index, "unit"), f'there is no unit "{alarm.unit}"', fix


def _units(path: KeyPath, names: tuple[str, ...], site: Site) -> Iterator[Row]:
    known = {unit.name for unit in site.units}
    for name in names:
        if name not in known:
            yield (*path, "units"), f'there is no unit "{name}"', _instead(name, known)


def _instead(name: str, known: Collection[str]) -> str:
    import difflib  # noqa: PLC0415 - only for messages

    near = difflib.get_close_matches(name, list(known), n=1, cutoff=0.4)
    return f'write "{near[0]}"' if near else f"use one of {', '.join(sorted(known))}"
