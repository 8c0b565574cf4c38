"""From a site's settings to sources and sinks: which class for which protocol, nothing more."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, assert_never

from config.base import StrictModel
from config.controllers import MqttBroker, SparkplugBroker, Tls
from config.loader import unit_context
from config.signals import quantity_of
from config.sinks import InfluxSink as InfluxSettings
from config.sinks import LogSink as LogSettings
from config.sinks import MailSink as MailSettings
from config.sinks import ModbusServerSink as ModbusServerSettings
from config.sinks import MqttSink as MqttSettings
from config.sinks import Sink as SinkSettings
from config.sinks import SyslogSink as SyslogSettings
from config.sinks import WebhookSink as WebhookSettings
from config.site import Site
from config.units import display_units
from daemon.clock import Clock
from daemon.model import AlarmState
from daemon.sinks.base import EntryReader, Sink
from daemon.sinks.documents import Wording
from daemon.sinks.log import LogSink
from daemon.sinks.modbus_server import ModbusServerSink
from daemon.sinks.mqtt import MqttSink
from daemon.sinks.runner import SinkHealth, SinkRunner
from daemon.sources.base import Source
from daemon.sources.board import Board
from daemon.sources.modbus_poller import modbus_pollers
from daemon.sources.mqtt_shell import PastReadings
from daemon.sources.mqtt_source import mqtt_source

_Settings = TypeVar("_Settings", bound=StrictModel)


def build_sources(site: Site, folder: Path, board: Board, clock: Clock, past: PastReadings) -> list[Source]:
    """Make a source for every controller and broker that signals come from.

    Parameters
    ----------
    site : Site
        The configuration.
    folder : pathlib.Path
        Where relative file names start.
    board : Board
        Where readings go.
    clock : Clock
        Wall and monotonic time.
    past : PastReadings
        Takes what was measured while the daemon was away.
    """
    context = unit_context(site)
    sources: list[Source] = list(modbus_pollers(site, board, clock))
    for controller in site.controllers:
        if isinstance(controller, MqttBroker):
            sources.append(mqtt_source(site, absolute(controller, folder), context, board, clock, past))
        elif isinstance(controller, SparkplugBroker):
            from daemon.sources.sparkplug_source import (  # noqa: PLC0415 - protobuf, only where it is needed
                sparkplug_source,
            )

            sources.append(sparkplug_source(site, absolute(controller, folder), context, board, clock, past))
    return sources


def build_sinks(
    site: Site,
    folder: Path,
    reader: EntryReader,
    clock: Clock,
    on_change: Callable[[SinkHealth], None],
    alarm_state: Callable[[str, str], AlarmState | None] = lambda _unit, _alarm: None,
    note: Callable[..., None] = lambda *_args, **_data: None,
) -> list[SinkRunner]:
    """Make a runner for every sink.

    ``on_change`` hears when one fails and when it works again; ``alarm_state`` tells the present state of an
    alarm by unit and alarm; ``note(kind, message, **data)`` keeps an event.
    """
    beside_journal = (folder / site.journal.path).parent
    wording = wording_of(site)
    return [
        SinkRunner(
            _sink(settings, folder, wording, clock, alarm_state, beside_journal, note),
            reader,
            clock,
            on_change,
        )
        for settings in site.sinks
    ]


def wording_of(site: Site) -> Wording:
    """Return how a site writes its documents."""
    own = {
        name: quantity_of(name, signal)
        for unit in site.units
        for name, signal in unit.signals.items()
        if signal.quantity is not None
    }
    return Wording(site.site.name, display_units(site.site.unit_system, unit_context(site)), own)


def _sink(
    settings: SinkSettings,
    folder: Path,
    wording: Wording,
    clock: Clock,
    alarm_state: Callable[[str, str], AlarmState | None],
    beside_journal: Path,
    note: Callable[..., None],
) -> Sink:
    # Each kind imports its library only where a site has one: HTTP and mail cost start-up time and memory.
    if isinstance(settings, MqttSettings):
        return MqttSink(absolute(settings, folder), wording, clock)
    if isinstance(settings, LogSettings):
        return LogSink(settings, wording)
    if isinstance(settings, WebhookSettings):
        from daemon.sinks.webhook import WebhookSink  # noqa: PLC0415 - see above

        return WebhookSink(absolute(settings, folder), wording, clock)
    if isinstance(settings, MailSettings):
        from daemon.sinks.mail import MailSink  # noqa: PLC0415 - see above

        return MailSink(absolute(settings, folder), wording, clock)
    if isinstance(settings, SyslogSettings):
        from daemon.sinks.syslog import SyslogSink  # noqa: PLC0415 - see above

        return SyslogSink(absolute(settings, folder), wording)
    if isinstance(settings, InfluxSettings):
        from daemon.sinks.influx import InfluxSink  # noqa: PLC0415 - see above

        quarantine = beside_journal / f"quarantine-{settings.name}.lp"
        return InfluxSink(absolute(settings, folder), wording, clock, quarantine, note)
    if isinstance(settings, ModbusServerSettings):
        return ModbusServerSink(settings, wording, clock, alarm_state)
    assert_never(settings)


def absolute(settings: _Settings, folder: Path) -> _Settings:
    """Return settings whose file names do not depend on where the daemon was started."""
    changes: dict[str, object] = {}
    for key in type(settings).model_fields:
        value = getattr(settings, key)
        if isinstance(value, Tls):
            changes[key] = absolute(value, folder)
        elif key.endswith("_file") and value is not None:
            changes[key] = str(folder / value)
    return settings.model_copy(update=changes)
