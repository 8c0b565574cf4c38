"""A Modbus TCP server that answers as no device should, though each of these has been seen in the field."""

from __future__ import annotations

import asyncio
import random
import struct
from dataclasses import dataclass, field

from tests.support.recording_modbus import Received, RecordingModbusServer, tcp_frame

LIES = (
    "late to an earlier transaction",
    "wrong device id",
    "too few registers",
    "too many registers",
    "byte count that is not the length",
    "wrong function code",
    "transaction id 0",
    "another transaction id",
    "exception of another function",
    "long exception",
    "protocol id not 0",
    "length field too large",
    "length field 0",
    "random bytes",
    "random frame",
    "cut short, then closed",
    "closed without an answer",
    "unknown exception code",
    "busy",
    "flood of frames",
)
"""Ways in which ``LyingServer`` can answer; none of them may ever become a good value."""


@dataclass
class LyingServer(RecordingModbusServer):
    """Answers with the lie that ``lie`` names; honestly while it is empty.

    It keeps the last requests, so that it can answer one of them when another is expected.
    """

    lie: str = ""
    seed: int = 1
    earlier: list[Received] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    async def respond(self, request: Received, writer: asyncio.StreamWriter) -> None:
        if not self.lie:
            await super().respond(request, writer)
        else:
            data = self.lying_bytes(request)
            if data:
                writer.write(data)
                await writer.drain()
            if "closed" in self.lie:
                writer.transport.close()
        self.earlier = [*self.earlier[-8:], request]

    def lying_bytes(self, request: Received) -> bytes:
        """Return what goes out in place of the right answer."""
        transaction_id, device_id = request.transaction_id, request.device_id
        honest = self.honest_pdu(request)
        frame = tcp_frame(transaction_id, device_id, honest)
        code = request.function_code
        match self.lie:
            case "late to an earlier transaction":
                earlier = self.earlier[-1] if self.earlier else None
                return b"" if earlier is None else tcp_frame(earlier.transaction_id, device_id, honest)
            case "wrong device id":
                return tcp_frame(transaction_id, (device_id + 1) % 256, honest)
            case "too few registers":
                short = honest[2:-2]
                return tcp_frame(transaction_id, device_id, bytes((code, len(short))) + short)
            case "too many registers":
                long = honest[2:] + b"\x01\x02"
                return tcp_frame(transaction_id, device_id, bytes((code, len(long) % 256)) + long)
            case "byte count that is not the length":
                return tcp_frame(transaction_id, device_id, bytes((code, (honest[1] + 2) % 256)) + honest[2:])
            case "wrong function code":
                return tcp_frame(transaction_id, device_id, bytes((code % 4 + 1,)) + honest[1:])
            case "transaction id 0":
                return tcp_frame(0, device_id, honest)
            case "another transaction id":
                return tcp_frame((transaction_id + 7) % 0x10000, device_id, honest)
            case "exception of another function":
                return tcp_frame(transaction_id, device_id, bytes((code % 4 + 1 | 0x80, 2)))
            case "long exception":
                return tcp_frame(transaction_id, device_id, bytes((code | 0x80, 2, 0, 0)))
            case "protocol id not 0":
                return frame[:2] + b"\x12\x34" + frame[4:]
            case "length field too large":
                return frame[:4] + struct.pack(">H", 4000) + frame[6:]
            case "length field 0":
                return frame[:4] + b"\0\0" + frame[6:]
            case "random bytes":
                return self.random.randbytes(self.random.randrange(1, 300))
            case "random frame":
                pdu = self.random.randbytes(self.random.randrange(1, 250))
                return tcp_frame(self.random.randrange(0x10000), self.random.randrange(256), pdu)
            case "cut short, then closed":
                return frame[: self.random.randrange(1, len(frame))]
            case "closed without an answer":
                return b""
            case "unknown exception code":
                return tcp_frame(transaction_id, device_id, bytes((code | 0x80, 77)))
            case "busy":
                return tcp_frame(transaction_id, device_id, bytes((code | 0x80, 6)))
            case "flood of frames":
                others = (transaction_id + number for number in range(1, 60))
                return b"".join(tcp_frame(other % 0x10000, device_id, honest) for other in others)
            case _:
                raise ValueError(self.lie)
