"""Alarms as syslog messages: RFC 5424 over TLS (RFC 5425), TCP (RFC 6587, octet counting) or UDP (RFC 5426).

The protocol acknowledges nothing: a message counts as delivered when the operating system took it over a
connection that the receiver had not closed. Receivers drop repeats by the ``id`` in the structured data.
Parameters ``cause1`` and on hold likely causes with their evidence, as many as leave room for the text.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Sequence

from config.controllers import Tls
from config.sinks import SyslogSink as SyslogSettings
from daemon.credentials import CredentialError, tls_context
from daemon.model import AlarmTransition, Entry, Priority
from daemon.sinks.base import DeliveryFailed, Selection, Sink, selection_of
from daemon.sinks.documents import Wording, cause_words, entry_id
from daemon.times import rfc3339

_LOCAL0 = 16
_SEVERITY = {Priority.HIGHEST: 1, Priority.HIGH: 2, Priority.MEDIUM: 3, Priority.LOW: 4}
"""Alert, critical, error, warning: after RFC 5674 (alarm severities in syslog), from memory."""
_NOTICE = 5
_SD_ID = "tegwatch@32473"
"""32473 is the enterprise number for documentation (RFC 5612): we have none of our own."""
_LONGEST_PARAMETER = 200
_LARGEST = 2048  # octets that a receiver should take (RFC 5424, section 6.1)
_LARGEST_DATA = 1500  # octets of structured data beyond which no likely cause is added: the text needs room


def message(wording: Wording, entry: Entry, host: str, process: int) -> bytes:
    """Write one journal entry as an RFC 5424 message, without framing.

    Parameters
    ----------
    wording : Wording
        How the site writes values.
    entry : Entry
        An alarm transition or event.
    host : str
        Host name of the box.
    process : int
        Process id of the daemon.
    """
    body = entry.body
    fields = {"id": entry_id(wording.site, entry), "sequence": str(entry.sequence), "site": wording.site}
    fields["unit"] = entry.unit
    if isinstance(body, AlarmTransition):
        severity = _SEVERITY[body.priority] if body.state.annunciated else _NOTICE
        kind, text = "alarm", body.message
        fields |= {
            "alarm": body.alarm,
            "occurrence": body.occurrence,
            "state": body.state.value,
            "priority": body.priority.value,
            "class": body.alarm_class,
            "value": wording.text(body.value, body.quantity),
            "setpoint": wording.text(body.setpoint, body.quantity),
            "reason": body.reason,
            "actor": body.actor,
        }
    else:
        severity, kind = _NOTICE, "event"
        text = getattr(body, "message", "")
        fields["kind"] = getattr(body, "kind", "")
    data = "".join(
        f' {name}="{_parameter(value[:_LONGEST_PARAMETER])}"' for name, value in fields.items() if value
    )
    for number, cause in enumerate(getattr(body, "causes", ()), start=1):
        # As many as fit and each whole: one cut short would be a verdict without its evidence.
        parameter = f' cause{number}="{_parameter(cause_words(cause))}"'
        if len(f"{data}{parameter}".encode()) > _LARGEST_DATA:
            break
        data += parameter
    head = (
        f"<{_LOCAL0 * 8 + severity}>1 {rfc3339(entry.time)} {_printable(host, 255)} tegwatch {process} {kind}"
    )
    line = f"{head} [{_SD_ID}{data}] ".encode()
    return line + _cut(f"\ufeff{_one_line(text)}".encode(), max(0, _LARGEST - len(line)))


def framed(line: bytes) -> bytes:
    """Put the length before a message (octet counting).

    Examples
    --------
    >>> framed(b"<129>1 ...")
    b'10 <129>1 ...'
    """
    return f"{len(line)} ".encode() + line


class SyslogSink(Sink):
    """Sends journal entries to one receiver.

    Parameters
    ----------
    settings : config.sinks.SyslogSink
        Receiver, transport, filter.
    wording : Wording
        How the site writes values.
    """

    def __init__(self, settings: SyslogSettings, wording: Wording) -> None:
        self._settings = settings
        self._wording = wording
        self._host = socket.gethostname()
        self._port = settings.port or (6514 if settings.transport == "tls" else 514)
        self._stream: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._datagrams: asyncio.DatagramTransport | None = None

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Alarms of the configured priority and units, and events."""
        return selection_of(self._settings)

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Send entries in order."""
        lines = [message(self._wording, entry, self._host, os.getpid()) for entry in entries]
        try:
            async with asyncio.timeout(self._settings.timeout):
                if self._settings.transport == "udp":
                    await self._send_datagrams(lines)
                else:
                    await self._send_stream(b"".join(framed(line) for line in lines))
        except (OSError, TimeoutError, CredentialError) as error:
            await self.close()
            where = f"{self._settings.host}:{self._port}"
            raise DeliveryFailed(f"syslog receiver {where}: {str(error) or type(error).__name__}") from error

    async def close(self) -> None:
        """Close the connection."""
        stream, self._stream = self._stream, None
        datagrams, self._datagrams = self._datagrams, None
        if stream is not None:
            stream[1].close()
            with contextlib.suppress(OSError, TimeoutError):
                async with asyncio.timeout(1.0):
                    await stream[1].wait_closed()
        if datagrams is not None:
            datagrams.close()

    async def _send_stream(self, data: bytes) -> None:
        if self._stream is None:
            tls = self._settings.transport == "tls"
            context = tls_context(self._settings.tls or Tls()) if tls else None
            self._stream = await asyncio.open_connection(self._settings.host, self._port, ssl=context)
        reader, writer = self._stream
        await asyncio.sleep(0)  # let the loop see that the receiver has closed
        if reader.at_eof() or writer.is_closing():
            raise ConnectionResetError("closed by the receiver")
        writer.write(data)
        await writer.drain()

    async def _send_datagrams(self, lines: Sequence[bytes]) -> None:
        if self._datagrams is None:
            loop = asyncio.get_running_loop()
            address = (self._settings.host, self._port)
            self._datagrams, _ = await loop.create_datagram_endpoint(
                asyncio.DatagramProtocol, remote_addr=address
            )
        for line in lines:
            self._datagrams.sendto(line)


def _one_line(text: str) -> str:
    return "".join(character if character.isprintable() else " " for character in text)


def _parameter(text: str) -> str:
    """Escape a value of structured data (RFC 5424, section 6.3.3)."""
    line = _one_line(text)
    return "".join(f"\\{character}" if character in '"\\]' else character for character in line)


def _printable(text: str, length: int) -> str:
    """Write a header field: printable ASCII without blanks, or a dash."""
    return "".join(character for character in text if 33 <= ord(character) <= 126)[:length] or "-"


def _cut(text: bytes, length: int) -> bytes:
    """Shorten UTF-8 text without cutting through a character."""
    return text[:length].decode("utf-8", errors="ignore").encode()
