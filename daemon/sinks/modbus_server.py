"""Results, quality and alarm bits on a Modbus TCP server of our own, for an existing control system to read.

Nobody can write here: ``modbus_image`` knows no request that changes anything. Only listed clients are let
in, a few at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
from collections.abc import Callable, Mapping, Sequence

from config.quantities import RESULT_KINDS
from config.sinks import ModbusServerSink as ServerSettings
from config.sinks import ShownValue
from daemon.clock import Clock
from daemon.model import AlarmState, Entry, EntryKind, Quality, ScanRecord
from daemon.sinks.base import DeliveryFailed, Selection, Sink
from daemon.sinks.documents import Wording
from daemon.sinks.modbus_image import Image, Shown, answer, frame, image, take_frame

IDLE = 60.0
"""A client that asks nothing for this long is disconnected [s]."""
_NOTHING_YET = Shown(None, Quality.BAD, float("-inf"))


class ModbusServerSink(Sink):
    """Serves the newest scan; whoever reads sees its age in the quality words.

    Parameters
    ----------
    settings : config.sinks.ModbusServerSink
        Address, clients, layout.
    wording : Wording
        Units in which values are shown.
    clock : Clock
        Ages and the heartbeat.
    alarm_state : Callable
        Present state of an alarm by unit and alarm; ``None`` where there is no such alarm.
    """

    beat_period = 10.0

    def __init__(
        self,
        settings: ServerSettings,
        wording: Wording,
        clock: Clock,
        alarm_state: Callable[[str, str], AlarmState | None],
    ) -> None:
        self._settings = settings
        self._wording = wording
        self._clock = clock
        self._alarm_state = alarm_state
        self._allowed = [ipaddress.ip_network(network) for network in settings.clients]
        self._shown: dict[int, Shown] = {value.address: _NOTHING_YET for value in settings.values}
        self._newest: dict[str, float] = {}
        self._started = clock.monotonic()
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()
        self.refused = 0
        """Connections refused since the start: not listed, or one too many."""

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Scans of all units; alarms are asked for as they are."""
        return Selection(frozenset({EntryKind.SCAN}))

    @property
    def port(self) -> int | None:
        """Port on which it listens, once it does."""
        return None if self._server is None else int(self._server.sockets[0].getsockname()[1])

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Show the newest scan of each unit."""
        await self.beat()
        for entry in entries:
            scan = entry.body
            # What was measured while the daemon was away is history and older than what is shown.
            if isinstance(scan, ScanRecord) and scan.time >= self._newest.get(scan.unit, float("-inf")):
                self._newest[scan.unit] = scan.time
                for value in self._settings.values:
                    if value.unit == scan.unit:
                        self._shown[value.address] = self._value(value, scan)

    async def beat(self) -> None:
        """See that the server listens."""
        if self._server is None:
            try:
                self._server = await asyncio.start_server(
                    self._serve, self._settings.listen, self._settings.port
                )
            except OSError as error:
                where = f"{self._settings.listen}:{self._settings.port}"
                raise DeliveryFailed(f"cannot listen on {where}: {error.strerror or error}") from error

    async def close(self) -> None:
        """Stop listening and hang up."""
        server, self._server = self._server, None
        if server is not None:
            server.close()
        for writer in tuple(self._clients):
            writer.transport.abort()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    def present(self) -> Image:
        """Return all registers and inputs as they are now."""
        alarms = {
            shown.address: self._alarm_state(shown.unit, shown.alarm) for shown in self._settings.alarms
        }
        now = self._clock.monotonic()
        beat = int(now - self._started)
        return image(self._shown, alarms, wall=self._clock.wall(), monotonic=now, beat=beat)

    def _value(self, value: ShownValue, scan: ScanRecord) -> Shown:
        age = max(0.0, self._clock.wall() - scan.time)
        until = self._clock.monotonic() + self._settings.stale_after - age
        if value.result is not None and (result := scan.results.get(value.result)) is not None:
            kind = RESULT_KINDS.get(value.result)
            quantity = kind.quantity if kind else ""
            return Shown(self._number(result.value, quantity), result.quality, until)
        if value.signal is not None and (reading := scan.signals.get(value.signal)) is not None:
            known = self._wording.quantity_of(value.signal)
            return Shown(self._number(reading.value, known), reading.quality, until)
        return Shown(None, Quality.BAD, until)

    def _number(self, value: float | None, quantity: str) -> float | None:
        amount: Mapping[str, object] | None = self._wording.amount(value, quantity)
        number = None if amount is None else amount["value"]
        return number if isinstance(number, float) else None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        address = ipaddress.ip_address(writer.get_extra_info("peername")[0])
        listed = any(address in network for network in self._allowed)
        if not listed or len(self._clients) >= self._settings.max_connections:
            self.refused += 1
            writer.close()
            return
        self._clients.add(writer)
        buffer = bytearray()
        try:
            # A client that went away, went silent, or speaks something else costs its own connection only.
            with contextlib.suppress(OSError, TimeoutError, ValueError):
                while True:
                    async with asyncio.timeout(IDLE):
                        data = await reader.read(4096)
                    if not data:
                        break
                    buffer += data
                    while (request := take_frame(buffer)) is not None:
                        transaction, device, pdu = request
                        if device == self._settings.device_id:
                            writer.write(frame(transaction, device, answer(pdu, self.present)))
                    async with asyncio.timeout(IDLE):
                        await writer.drain()
        finally:
            self._clients.discard(writer)
            writer.close()
