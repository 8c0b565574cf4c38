"""What can go wrong with a Modbus read, in words that tell a SCADA engineer what to do about it."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from daemon.model import Status


class FaultKind(enum.StrEnum):
    """The ways in which a read yields no value."""

    NOT_CONNECTED = "not connected"
    TIMEOUT = "no answer"
    REFUSED = "refused"
    MALFORMED = "malformed answer"


@dataclass(frozen=True, slots=True)
class ExceptionCode:
    """One exception code of the Modbus application protocol (V1.1b3, section 7).

    ``passing`` says that the device may well answer the same request a moment later; ``silent_device``
    that a gateway speaks for a device that it could not reach.
    """

    code: int
    name: str
    status: Status
    what_to_do: str
    passing: bool = False
    silent_device: bool = False


EXCEPTION_CODES: dict[int, ExceptionCode] = {
    row.code: row
    for row in (
        ExceptionCode(
            1,
            "illegal function",
            Status.BAD_CONFIGURATION_ERROR,
            "The device does not serve this table. Check whether the values are in the holding (function 3) "
            "or in the input registers (function 4), coils (1) or discrete inputs (2).",
        ),
        ExceptionCode(
            2,
            "illegal data address",
            Status.BAD_CONFIGURATION_ERROR,
            "An address in this read does not exist in the device. Check the address against the register "
            "map, and whether the map counts from 0 or from 1 (addressing). If only merged reads fail, "
            "declare the missing addresses as a hole or lower max_gap.",
        ),
        ExceptionCode(
            3,
            "illegal data value",
            Status.BAD_CONFIGURATION_ERROR,
            "The device does not accept the number of registers asked for. Lower max_registers_per_request; "
            "some devices also refuse a read that cuts a 32-bit value in two.",
        ),
        ExceptionCode(
            4,
            "server device failure",
            Status.BAD_DEVICE_FAILURE,
            "The device reports a failure of its own. Look at its diagnostics; some also answer so when the "
            "program behind the registers is stopped.",
        ),
        ExceptionCode(
            5,
            "acknowledge",
            Status.BAD_NO_COMMUNICATION,
            "The device is still working on a long request. Lengthen scan_period or pause_between_requests.",
            passing=True,
        ),
        ExceptionCode(
            6,
            "server device busy",
            Status.BAD_NO_COMMUNICATION,
            "The device is busy. Lengthen scan_period or pause_between_requests; check what else polls it.",
            passing=True,
        ),
        ExceptionCode(
            7,
            "negative acknowledge",
            Status.BAD_DEVICE_FAILURE,
            "The device cannot do what was asked (a code of older devices). Check table and address.",
        ),
        ExceptionCode(
            8,
            "memory parity error",
            Status.BAD_DEVICE_FAILURE,
            "The device found its memory damaged. It needs service.",
        ),
        ExceptionCode(
            10,
            "gateway path unavailable",
            Status.BAD_NO_COMMUNICATION,
            "The gateway has no line to this device id. Check the device id and the gateway's port settings.",
            silent_device=True,
        ),
        ExceptionCode(
            11,
            "gateway target device failed to respond",
            Status.BAD_NO_COMMUNICATION,
            "The gateway got no answer from the device behind it. Check its power, its device id, the serial "
            "wiring, baud rate and parity.",
            silent_device=True,
        ),
    )
}

_WHAT_TO_DO: dict[FaultKind, str] = {
    FaultKind.NOT_CONNECTED: "Check address and port, that the controller is powered and reachable from "
    "this box, and that it has a connection free: many allow only a few at a time.",
    FaultKind.TIMEOUT: "Check the device id (a controller or gateway often stays silent for an id that is "
    "not its own), then lengthen timeout; on a serial line check baud rate, parity and wiring.",
    FaultKind.MALFORMED: "The answer does not fit the request, so it is not believed. Check that the "
    "protocol is right (Modbus TCP or RTU over TCP), that no other master shares the line, and the gateway's "
    "settings.",
}

_STATUS: dict[FaultKind, Status] = {
    FaultKind.NOT_CONNECTED: Status.BAD_NOT_CONNECTED,
    FaultKind.TIMEOUT: Status.BAD_TIMEOUT,
    FaultKind.MALFORMED: Status.BAD_DEVICE_FAILURE,
}


class ReadError(Exception):
    """A read that yielded no value.

    Parameters
    ----------
    kind : FaultKind
        Which way it went wrong.
    reason : str
        What was seen, short, for the reading's reason.
    exception_code : int
        The device's exception code, for ``FaultKind.REFUSED``.
    """

    def __init__(self, kind: FaultKind, reason: str, exception_code: int = 0) -> None:
        super().__init__(reason)
        self.kind = kind
        self.reason = reason
        self.exception_code = exception_code

    @classmethod
    def refused(cls, exception_code: int) -> ReadError:
        """Make the fault of an exception answer."""
        known = EXCEPTION_CODES.get(exception_code)
        name = known.name if known else "a code that the protocol does not know"
        return cls(FaultKind.REFUSED, f"Modbus exception {exception_code}: {name}", exception_code)

    @property
    def status(self) -> Status:
        """The status that the readings get."""
        if self.kind is FaultKind.REFUSED:
            known = EXCEPTION_CODES.get(self.exception_code)
            return known.status if known else Status.BAD_DEVICE_FAILURE
        return _STATUS[self.kind]

    @property
    def what_to_do(self) -> str:
        """Where to look, in a sentence or two."""
        if self.kind is FaultKind.REFUSED:
            known = EXCEPTION_CODES.get(self.exception_code)
            return known.what_to_do if known else "Look the code up in the device's own manual."
        return _WHAT_TO_DO[self.kind]

    @property
    def passing(self) -> bool:
        """Whether the next try may well succeed, so that the last value stays usable for a little."""
        if self.kind is FaultKind.REFUSED:
            known = EXCEPTION_CODES.get(self.exception_code)
            return known is not None and (known.passing or known.silent_device)
        return True

    @property
    def silent_device(self) -> bool:
        """Whether the device did not answer at all, so that asking it again costs its neighbours time."""
        if self.kind is FaultKind.REFUSED:
            known = EXCEPTION_CODES.get(self.exception_code)
            return known is not None and known.silent_device
        return self.kind in {FaultKind.TIMEOUT, FaultKind.MALFORMED}

    @property
    def splittable(self) -> bool:
        """Whether a smaller read may get through: an address or a length that the device refuses."""
        return self.kind is FaultKind.REFUSED and self.exception_code in {2, 3}
