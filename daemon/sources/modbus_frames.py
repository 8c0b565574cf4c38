"""Modbus requests and replies as bytes: only reads pass, and no reply is believed unchecked.

Pure. A request frame is checked against an allow-list just before it goes to the socket. A reply is taken
only if transaction id, device id, function code and length are exactly those of the one request that is out;
libraries commonly let one or the other pass, and then a block of one address is taken for that of another.

Sources: MODBUS Application Protocol Specification V1.1b3, MODBUS Messaging on TCP/IP Implementation Guide
V1.0b, MODBUS over Serial Line V1.02 (modbus.org).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from config.modbus_map import Table
from daemon.sources.modbus_faults import FaultKind, ReadError

READ_FUNCTION: dict[Table, int] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function code by table; the only four codes that read process data."""

IDENTIFY_FUNCTION = 43
IDENTIFY_TYPE = 14
MAX_REGISTERS = 125
MAX_BITS = 2000
MAX_PDU = 253
_HEADER = 7  # transaction id 2, protocol id 2, length 2, device id 1


class NotAReadError(Exception):
    """A frame that is not one of the allowed reads was about to be sent. It was not sent."""


class Request(Protocol):
    """What a reply is checked against."""

    @property
    def device_id(self) -> int:
        """Device that is asked."""
        ...

    @property
    def function_code(self) -> int:
        """Function code of the request."""
        ...

    def reply_size(self, start: bytes) -> int | None:
        """Size of the whole reply PDU, or ``None`` while ``start`` is too short to tell."""
        ...


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """One read of neighbouring registers or bits, by wire address (counted from 0)."""

    device_id: int
    table: Table
    address: int
    count: int

    @property
    def function_code(self) -> int:
        """Function code 1 to 4."""
        return READ_FUNCTION[self.table]

    @property
    def reply_bytes(self) -> int:
        """Number of data bytes in the reply."""
        return 2 * self.count if self.table in {"holding", "input"} else (self.count + 7) // 8

    def reply_size(self, start: bytes) -> int | None:
        """Size of the whole reply PDU: function code, byte count, data."""
        del start
        return 2 + self.reply_bytes


@dataclass(frozen=True, slots=True)
class IdentifyRequest:
    """Read device identification (function 43, type 14), basic objects."""

    device_id: int
    first_object: int = 0

    @property
    def function_code(self) -> int:
        """Function code 43."""
        return IDENTIFY_FUNCTION

    def reply_size(self, start: bytes) -> int | None:
        """Walk the object list as far as it has arrived."""
        if len(start) < 7:
            return None
        size = 7
        for _ in range(start[6]):
            if len(start) < size + 2:
                return None
            size += 2 + start[size + 1]
        return size


def crc16(data: bytes) -> int:
    """Return the CRC-16 of an RTU frame (polynomial 0x8005 reflected, start 0xFFFF); its low byte goes first.

    Examples
    --------
    >>> crc16(b"123456789")  # the check value that catalogues of CRCs give for CRC-16/MODBUS: 0x4B37
    19255
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        crc = value
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


def check_read_pdu(pdu: bytes, *, identification: bool) -> None:
    """Refuse every request PDU that is not exactly one of the allowed reads.

    Parameters
    ----------
    pdu : bytes
        Function code and data as they would go out.
    identification : bool
        Whether the site file allows function 43/14 on this controller.

    Raises
    ------
    NotAReadError
        Any other function code, or one of these with a length or count that the protocol does not define.
    """
    code = pdu[0] if pdu else -1
    if code in {1, 2, 3, 4} and len(pdu) == 5:
        limit = MAX_BITS if code < 3 else MAX_REGISTERS
        if 1 <= (pdu[3] << 8 | pdu[4]) <= limit:
            return
    is_identification = code == IDENTIFY_FUNCTION and len(pdu) == 4 and pdu[1] == IDENTIFY_TYPE
    if is_identification and identification and 1 <= pdu[2] <= 4:
        return
    raise NotAReadError(
        f"refused to send {pdu.hex(' ') or 'an empty request'}: only reads leave this program"
    )


def reply_data(request: Request, device_id: int, pdu: bytes) -> bytes:
    """Check a reply PDU against its request and return its data.

    Returns
    -------
    bytes
        For a read, the registers (high byte first) or packed bits; for an identification, all after the
        function code.

    Raises
    ------
    ReadError
        An exception answer (refused), or anything that does not fit the request (malformed).
    """
    if device_id != request.device_id:
        raise ReadError(
            FaultKind.MALFORMED, f"device {device_id} answered a request to device {request.device_id}"
        )
    expected = request.function_code
    code = pdu[0] if pdu else -1
    if code == expected | 0x80 and len(pdu) == 2:
        raise ReadError.refused(pdu[1])
    if code != expected:
        raise ReadError(
            FaultKind.MALFORMED, f"answer with function {code} to a request with function {expected}"
        )
    if isinstance(request, ReadRequest):
        data = pdu[2:]
        if len(data) != request.reply_bytes or pdu[1] != request.reply_bytes:
            raise ReadError(
                FaultKind.MALFORMED, f"answer of {len(data)} data bytes, {request.reply_bytes} were asked for"
            )
        return data
    if request.reply_size(pdu) != len(pdu):
        raise ReadError(FaultKind.MALFORMED, "the lengths inside the identification do not add up")
    return pdu[1:]


class TcpReply(NamedTuple):
    """One frame of a Modbus TCP stream."""

    transaction_id: int
    device_id: int
    pdu: bytes


class TcpFraming:
    """Modbus TCP frames of one connection.

    Transaction ids start where the caller says, grow by one and skip 0, which some servers use for
    anything; a caller that carries them over from one connection to the next never meets an old answer.
    """

    def __init__(self, transaction_id: int = 0) -> None:
        self.transaction_id = transaction_id
        self._buffer = b""

    def encode(self, device_id: int, pdu: bytes, *, identification: bool) -> bytes:
        """Frame one request and check the frame as it will go out.

        Raises
        ------
        NotAReadError
            The frame is not an allowed read.
        """
        self.transaction_id = self.transaction_id % 0xFFFF + 1
        frame = struct.pack(">HHHB", self.transaction_id, 0, len(pdu) + 1, device_id) + pdu
        check_read_pdu(frame[_HEADER:], identification=identification)
        return frame

    def feed(self, data: bytes) -> list[TcpReply]:
        """Take received bytes and return the frames that are complete.

        Raises
        ------
        ReadError
            The stream is not Modbus TCP; where the next frame begins can no longer be known.
        """
        data = self._buffer + data if self._buffer else data
        replies = []
        start = 0
        while len(data) - start >= _HEADER:
            transaction_id, protocol_id, length, device_id = struct.unpack_from(">HHHB", data, start)
            if protocol_id != 0 or not 2 <= length <= MAX_PDU + 1:
                self._buffer = b""
                raise ReadError(FaultKind.MALFORMED, "what arrives is not Modbus TCP")
            end = start + 6 + length
            if end > len(data):
                break
            replies.append(TcpReply(transaction_id, device_id, data[start + _HEADER : end]))
            start = end
        self._buffer = data[start:]
        return replies


class RtuFraming:
    """RTU frames of one line, serial or through a TCP connection.

    There is no transaction id: an answer is known only by device id, function code, length and checksum.
    Bytes that do not belong to the expected answer (line noise, an echo of our own request, a late answer
    of another device) are passed over.
    """

    _LIMIT = 1024

    def __init__(self) -> None:
        self._buffer = b""
        self._sent = b""

    @property
    def received(self) -> int:
        """Bytes received since the last request that have not become a reply."""
        return len(self._buffer)

    def encode(self, device_id: int, pdu: bytes, *, identification: bool) -> bytes:
        """Frame one request, check the frame as it will go out, and forget what arrived before.

        Raises
        ------
        NotAReadError
            The frame is not an allowed read.
        """
        body = bytes((device_id,)) + pdu
        frame = body + crc16(body).to_bytes(2, "little")
        check_read_pdu(frame[1:-2], identification=identification)
        self._buffer = b""
        self._sent = frame
        return frame

    def feed(self, data: bytes, request: Request) -> bytes | None:
        """Take received bytes and return the reply PDU to ``request`` when it is complete and checks."""
        buffer = (self._buffer + data)[-self._LIMIT :]
        if self._sent.startswith(buffer):  # perhaps an adapter's echo: wait and see
            self._buffer = buffer
            return None
        buffer = buffer.removeprefix(self._sent)
        self._buffer = buffer
        for start in range(len(buffer) - 4):
            if buffer[start] != request.device_id:
                continue
            code = buffer[start + 1]
            if code == request.function_code | 0x80:
                size: int | None = 2
            elif code == request.function_code:
                size = request.reply_size(buffer[start + 1 :])
            else:
                continue
            if size is None or start + 1 + size + 2 > len(buffer):
                continue
            end = start + 1 + size
            if crc16(buffer[start:end]) == int.from_bytes(buffer[end : end + 2], "little"):
                self._buffer = b""
                return buffer[start + 1 : end]
        return None
