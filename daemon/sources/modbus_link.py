"""One connection to one Modbus controller or gateway: a request out, its own answer back, nothing else.

The only module that holds a Modbus connection, and it can send reads only: pymodbus builds a request from
the four read classes (and, where the site file allows it, device identification), and the finished frame
passes an allow-list on its way to the one ``write`` of this module.

pymodbus's client class is not used. Measured with 3.16.1 it takes answers with transaction id 0, with another
function code or another length, can hand a late answer to the next request after a reconnect, and carries
seven methods that write. What is left of a client without those is this file, and it costs less.
"""

from __future__ import annotations

import asyncio
import functools
import os
import random
import time
from typing import Protocol, cast

from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest
from pymodbus.transport.serialtransport import create_serial_connection

from config.controllers import ModbusRtuOverTcp, ModbusSerial, ModbusTcp
from daemon.sources.modbus_faults import FaultKind, ReadError
from daemon.sources.modbus_frames import (
    IdentifyRequest,
    ReadRequest,
    Request,
    RtuFraming,
    TcpFraming,
    reply_data,
)

ModbusController = ModbusTcp | ModbusRtuOverTcp | ModbusSerial

_READS = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
}
_STRAY_LIMIT = 16
"""Frames that nobody asked for, since the last good answer, after which a connection is given up."""
_PARITY = {"none": "N", "even": "E", "odd": "O"}


@functools.lru_cache(maxsize=65_536)
def _read_pdu(request: ReadRequest) -> bytes:
    pdu = _READS[request.table](address=request.address, count=request.count, dev_id=request.device_id)
    return bytes((pdu.function_code,)) + pdu.encode()


def _identify_pdu(request: IdentifyRequest) -> bytes:
    pdu = ReadDeviceInformationRequest(1, request.first_object, dev_id=request.device_id)
    return bytes((pdu.function_code,)) + pdu.encode()


class _ByteTransport(Protocol):
    """As much of a transport as is used here."""

    def write(self, data: bytes) -> None: ...
    def abort(self) -> None: ...


class _Connection(asyncio.Protocol):
    """One TCP connection or opened serial line, used once: a reconnect makes a new one."""

    def __init__(self, framing: TcpFraming | RtuFraming, *, identification: bool) -> None:
        self._framing = framing
        self._identification = identification
        self._transport: _ByteTransport | None = None
        self._request: Request | None = None
        self._answer: asyncio.Future[bytes] | None = None
        self._unanswered: dict[tuple[int, int, int | None], float] = {}
        self.made = asyncio.Event()
        self.strays = 0
        self.lost = ""

    @property
    def open(self) -> bool:
        """Whether requests can be sent."""
        return self._transport is not None and not self.lost

    async def exchange(self, request: Request, pdu: bytes, timeout: float) -> bytes:  # noqa: ASYNC109 - a time-out is an ordinary answer here
        """Send one request and wait for its answer."""
        if isinstance(self._framing, RtuFraming):
            await self._let_late_answer_pass(request)
        if self._transport is None or self.lost:
            raise ReadError(FaultKind.NOT_CONNECTED, self.lost or "not connected")
        frame = self._framing.encode(request.device_id, pdu, identification=self._identification)
        loop = asyncio.get_running_loop()
        self._request = request
        answer: asyncio.Future[bytes] = loop.create_future()
        self._answer = answer
        timer = loop.call_later(timeout, self._expire, answer, timeout)
        try:
            self._transport.write(frame)
            return await answer
        finally:
            timer.cancel()
            self._answer = None
            if answer.cancelled():
                self._remember_unanswered(request, timeout)

    async def _let_late_answer_pass(self, request: Request) -> None:
        """On a line without transaction ids, wait before a request that a late answer would also fit."""
        not_before = self._unanswered.pop(_signature(request), 0.0)
        if (rest := not_before - asyncio.get_running_loop().time()) > 0:
            await asyncio.sleep(rest)

    def _remember_unanswered(self, request: Request, timeout: float) -> None:
        self._unanswered[_signature(request)] = asyncio.get_running_loop().time() + timeout

    def _expire(self, answer: asyncio.Future[bytes], timeout: float) -> None:
        if answer.done() or self._request is None:
            return
        self._remember_unanswered(self._request, timeout)
        seconds = f"{timeout:g} s"
        if isinstance(self._framing, RtuFraming) and self._framing.received:
            reason = f"no valid answer within {seconds}; {self._framing.received} bytes that do not fit"
            answer.set_exception(ReadError(FaultKind.MALFORMED, reason))
        else:
            answer.set_exception(ReadError(FaultKind.TIMEOUT, f"no answer within {seconds}"))

    # asyncio.Protocol

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast("_ByteTransport", transport)
        self.made.set()

    def connection_lost(self, exc: Exception | None) -> None:
        """End the request that is out, if any."""
        self._give_up(
            f"the connection was lost: {_why(exc)}" if exc else "the controller closed the connection"
        )

    def data_received(self, data: bytes) -> None:
        """Match what arrives with the request that is out; everything else is counted and dropped."""
        if isinstance(self._framing, RtuFraming):
            self._rtu_received(self._framing, data)
            return
        try:
            replies = self._framing.feed(data)
        except ReadError as error:
            self._give_up(error.reason, error.kind)
            return
        for reply in replies:
            if self._answer is None or reply.transaction_id != self._framing.transaction_id:
                self._stray()
            else:
                self._take(reply.device_id, reply.pdu)

    def _rtu_received(self, framing: RtuFraming, data: bytes) -> None:
        if self._answer is None or self._request is None:
            self.strays += 1  # a late answer; the next request forgets it
            return
        pdu = framing.feed(data, self._request)
        if pdu is not None:
            self._take(self._request.device_id, pdu)

    def _take(self, device_id: int, pdu: bytes) -> None:
        answer, request = self._answer, self._request
        if answer is None or request is None or answer.done():
            self._stray()
            return
        try:
            answer.set_result(reply_data(request, device_id, pdu))
        except ReadError as error:
            answer.set_exception(error)
        else:
            self.strays = 0

    def _stray(self) -> None:
        self.strays += 1
        if self.strays > _STRAY_LIMIT:
            self._give_up("the controller keeps sending what nobody asked for", FaultKind.MALFORMED)

    def _give_up(self, reason: str, kind: FaultKind = FaultKind.NOT_CONNECTED) -> None:
        if not self.lost:
            self.lost = reason
            if self._transport is not None:
                self._transport.abort()
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(ReadError(kind, reason))

    def close(self, reason: str) -> None:
        """Drop the connection at once."""
        self._give_up(reason)


def _signature(request: Request) -> tuple[int, int, int | None]:
    """Return what tells one answer from another on a line without transaction ids."""
    return request.device_id, request.function_code, request.reply_size(b"")


def _why(error: Exception) -> str:
    """Return what the operating system says, without the wrapping that asyncio gives it."""
    code = getattr(error, "errno", None)
    return os.strerror(code) if isinstance(code, int) and code > 0 else str(error)


class ModbusLink:
    """Connects to one controller and reads from it, one request at a time.

    Parameters
    ----------
    controller : ModbusTcp, ModbusRtuOverTcp or ModbusSerial
        Where it is and how patient to be.
    """

    def __init__(self, controller: ModbusController) -> None:
        self._controller = controller
        self._connection: _Connection | None = None
        # Carried over from one connection to the next, so that no answer to an old request can ever fit.
        self._transaction_id = random.randrange(0x10000)  # noqa: S311 - not a secret
        self._framing: TcpFraming | RtuFraming | None = None
        self._rest_until = 0.0

    @property
    def connected(self) -> bool:
        """Whether a request can be sent."""
        return self._connection is not None and self._connection.open

    @property
    def strays(self) -> int:
        """Frames that nobody asked for, since the last good answer."""
        return self._connection.strays if self._connection else 0

    @property
    def where(self) -> str:
        """Where the controller is, for messages."""
        controller = self._controller
        if isinstance(controller, ModbusSerial):
            return controller.device
        return f"{controller.host}:{controller.port}"

    async def connect(self) -> None:
        """Open a new connection; an earlier one is dropped.

        Raises
        ------
        ReadError
            Not reachable within the controller's time-out.
        """
        self.close("reconnecting")
        if isinstance(self._controller, ModbusTcp):
            self._framing = TcpFraming(self._transaction_id)
        else:
            self._framing = RtuFraming()
        connection = _Connection(self._framing, identification=self._controller.identify)
        try:
            async with asyncio.timeout(self._controller.timeout):
                await self._open(connection)
        except TimeoutError:
            connection.close("not opened in time")
            reason = f"no connection to {self.where} within {self._controller.timeout:g} s"
            raise ReadError(FaultKind.NOT_CONNECTED, reason) from None
        except (OSError, UnicodeError) as error:  # serial.SerialException is an OSError too
            reason = f"no connection to {self.where}: {_why(error)}"
            raise ReadError(FaultKind.NOT_CONNECTED, reason) from error
        self._connection = connection

    async def _open(self, connection: _Connection) -> None:
        loop = asyncio.get_running_loop()
        controller = self._controller
        if isinstance(controller, ModbusSerial):
            await create_serial_connection(
                loop,
                lambda: connection,
                controller.device,
                baudrate=controller.baud_rate,
                bytesize=8,
                parity=_PARITY[controller.parity],
                stopbits=controller.stop_bits,
                timeout=0,
            )
            await connection.made.wait()
        else:
            await loop.create_connection(lambda: connection, controller.host, controller.port)

    async def read(self, request: ReadRequest) -> bytes:
        """Read registers or bits.

        Parameters
        ----------
        request : ReadRequest
            Device, table, wire address and count.

        Returns
        -------
        bytes
            Two bytes a register, high byte first, or packed bits; exactly as many as asked for.

        Raises
        ------
        ReadError
            No connection, no answer in time, an exception answer, or an answer that does not fit.
        """
        return await self._exchange(request, _read_pdu(request))

    async def identify(self, device_id: int) -> dict[int, str]:
        """Read the basic device identification (function 43/14): vendor, product code, revision.

        Returns
        -------
        dict of int to str
            Text by object id: 0 vendor name, 1 product code, 2 revision.

        Raises
        ------
        ReadError
            As for ``read``; most devices do not know this function and refuse it.
        """
        request = IdentifyRequest(device_id)
        data = await self._exchange(request, _identify_pdu(request))
        objects = {}
        position = 6
        for _ in range(data[5]):
            end = position + 2 + data[position + 1]
            objects[data[position]] = data[position + 2 : end].decode("ascii", errors="backslashreplace")
            position = end
        return objects

    async def _exchange(self, request: Request, pdu: bytes) -> bytes:
        connection = self._connection
        if connection is None:
            raise ReadError(FaultKind.NOT_CONNECTED, "not connected")
        pause = self._pause
        if pause and (rest := self._rest_until - time.monotonic()) > 0:
            await asyncio.sleep(rest)
        try:
            return await connection.exchange(request, pdu, self._controller.timeout)
        finally:
            if isinstance(self._framing, TcpFraming):
                self._transaction_id = self._framing.transaction_id
            if pause:
                self._rest_until = time.monotonic() + pause

    @property
    def _pause(self) -> float:
        """Seconds of silence between two frames; on a serial line at least 3.5 characters."""
        controller = self._controller
        if not isinstance(controller, ModbusSerial):
            return controller.pause_between_requests
        # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits, fixed above 19200 baud
        silence = 0.00175 if controller.baud_rate > 19200 else 3.5 * 11 / controller.baud_rate
        return max(controller.pause_between_requests, silence)

    def close(self, reason: str = "closed") -> None:
        """Drop the connection, if there is one; nothing is sent."""
        if self._connection is not None:
            self._connection.close(reason)
            self._connection = None
