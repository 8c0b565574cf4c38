"""What the read-only Modbus server shows, and how it answers: bytes in, bytes out, no socket.

Input registers (function code 4; the same in the holding registers, function code 3, for systems that read
only those): 0 heartbeat, +1 a second; 1-2 UTC seconds; 3 number of annunciated alarms; 4 of unacknowledged
ones. Each value takes three: 32-bit float, high word first, then its quality word: 0 good, 1 uncertain,
2 bad, 3 stale. What is bad or stale is NaN, never the last good number. Discrete inputs (function code 2,
and coils, function code 1): each alarm takes four: active, unacknowledged, suppressed or shelved, 0.

Any other function code, every write among them, is answered with exception 01 (illegal function).
Frames after the MODBUS Application Protocol V1.1b3 and MODBUS Messaging on TCP/IP V1.0b.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from daemon.model import AlarmState, Quality

HEADER = 5
STALE = 3
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_NAN = (0x7FC0, 0x0000)
_LARGEST = 3.4e38  # of a float32; no measurement is beyond it
_MBAP = struct.Struct(">HHHB")
_REQUEST = struct.Struct(">BHH")
_READ_BITS, _READ_REGISTERS = {1, 2}, {3, 4}
MAX_REGISTERS, MAX_BITS = 125, 2000
_UNACKNOWLEDGED = {
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
}
_SUPPRESSED = {AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE}


@dataclass(frozen=True, slots=True)
class Shown:
    """One value as it is shown: a number in the site's unit, its quality, and until which monotonic time."""

    value: float | None
    quality: Quality
    stale_after: float


@dataclass(frozen=True, slots=True)
class Image:
    """All registers and inputs at one instant: one request never sees half of two scans."""

    registers: dict[int, int]
    inputs: dict[int, bool]


def image(
    values: dict[int, Shown],
    alarms: dict[int, AlarmState | None],
    *,
    wall: float,
    monotonic: float,
    beat: int,
) -> Image:
    """Lay out values and alarms.

    Parameters
    ----------
    values : dict
        By register address, from ``HEADER`` on.
    alarms : dict
        By discrete input address; ``None`` for an alarm whose state is not known: all its inputs are 0.
    wall : float
        POSIX seconds, shown.
    monotonic : float
        Monotonic seconds, by which values go stale.
    beat : int
        Heartbeat counter.
    """
    states = [state for state in alarms.values() if state is not None]
    seconds = int(wall) & 0xFFFFFFFF
    annunciated = sum(state.annunciated for state in states)
    unacknowledged = sum(state in _UNACKNOWLEDGED for state in states)
    header = (beat & 0xFFFF, seconds >> 16, seconds & 0xFFFF, annunciated, unacknowledged)
    registers = dict(enumerate(header))
    for address, shown in values.items():
        words, quality = _NAN, STALE
        if monotonic <= shown.stale_after:
            quality = int(shown.quality)
            if shown.value is not None and abs(shown.value) > _LARGEST:
                quality = int(Quality.BAD)
            elif shown.value is not None and shown.quality is not Quality.BAD:
                words = struct.unpack(">HH", struct.pack(">f", shown.value))
        registers |= {address: words[0], address + 1: words[1], address + 2: quality}
    inputs: dict[int, bool] = {}
    for address, state in alarms.items():
        bits = (
            state is not None and state.annunciated and state is not AlarmState.RETURNED_UNACKNOWLEDGED,
            state in _UNACKNOWLEDGED,
            state in _SUPPRESSED,
            False,
        )
        inputs |= {address + offset: bit for offset, bit in enumerate(bits)}
    return Image(registers, inputs)


def answer(pdu: bytes, show: Callable[[], Image]) -> bytes:
    """Answer one protocol data unit.

    Parameters
    ----------
    pdu : bytes
        Function code and its data.
    show : Callable
        Makes the image; called once for a request that is read.
    """
    code = pdu[0]
    if code not in _READ_BITS | _READ_REGISTERS:
        return _exception(code, ILLEGAL_FUNCTION)
    if len(pdu) != _REQUEST.size:
        return _exception(code, ILLEGAL_VALUE)
    _, first, count = _REQUEST.unpack(pdu)
    if not 1 <= count <= (MAX_BITS if code in _READ_BITS else MAX_REGISTERS):
        return _exception(code, ILLEGAL_VALUE)
    if first + count > 0x10000:
        return _exception(code, ILLEGAL_ADDRESS)
    wanted = range(first, first + count)
    shown = show()
    table: dict[int, int] | dict[int, bool] = shown.inputs if code in _READ_BITS else shown.registers
    if not table.keys() & set(wanted):
        return _exception(code, ILLEGAL_ADDRESS)
    if code in _READ_BITS:
        return _counted(code, _packed([shown.inputs.get(address, False) for address in wanted]))
    words = [shown.registers.get(address, 0) for address in wanted]
    return _counted(code, struct.pack(f">{count}H", *words))


def take_frame(buffer: bytearray) -> tuple[int, int, bytes] | None:
    """Take one whole TCP frame off the front of a buffer: transaction, device id and protocol data unit.

    Raises
    ------
    ValueError
        What came is no Modbus TCP; the connection must end.
    """
    if len(buffer) < _MBAP.size:
        return None
    transaction, protocol, length, device = _MBAP.unpack_from(buffer)
    if protocol != 0 or not 2 <= length <= 254:
        raise ValueError("not Modbus TCP")
    if len(buffer) < 6 + length:
        return None
    pdu = bytes(buffer[_MBAP.size : 6 + length])
    del buffer[: 6 + length]
    return transaction, device, pdu


def frame(transaction: int, device: int, pdu: bytes) -> bytes:
    """Wrap an answer for TCP."""
    return _MBAP.pack(transaction, 0, len(pdu) + 1, device) + pdu


def _exception(code: int, reason: int) -> bytes:
    return bytes((code | 0x80, reason))


def _counted(code: int, data: bytes) -> bytes:
    return bytes((code, len(data))) + data


def _packed(bits: Sequence[bool]) -> bytes:
    """Pack bits, the first in the lowest place of the first byte."""
    out = bytearray((len(bits) + 7) // 8)
    for position, bit in enumerate(bits):
        out[position // 8] |= bit << position % 8
    return bytes(out)
