"""The syslog sink against receivers that split frames by the RFCs."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import re
import ssl
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import trustme

from config.sinks import SyslogSink as SyslogSettings
from config.units import UnitContext, display_units
from daemon.model import AlarmState, Priority
from daemon.sinks.base import DeliveryFailed
from daemon.sinks.documents import Wording
from daemon.sinks.syslog import SyslogSink, message
from tests.support.journals import CAUSES, alarm, event

WORDING = Wording("north", display_units("us", UnitContext()), {})
# RFC 5424, section 6: header, then structured data, then text with a byte order mark.
RFC5424 = re.compile(
    r"<(?P<pri>\d{1,3})>1 (?P<time>\S+) (?P<host>\S+) (?P<app>\S+) (?P<process>\S+) (?P<msgid>\S+) "
    r"\[(?P<sd_id>[^ \]=\"]+)(?P<parameters>( [^ \]=\"]+=\"(\\[\"\\\]]|[^\"\\\]])*\")*)\] ﻿(?P<text>.*)",
    re.DOTALL,
)


def parsed(line: bytes) -> re.Match[str]:
    match = RFC5424.fullmatch(line.decode())
    assert match is not None, line
    return match


def test_an_alarm_message_has_every_part() -> None:
    match = parsed(message(WORDING, alarm(17), "box-1", 42))
    assert match["pri"] == str(16 * 8 + 2)
    assert match["time"] == "2023-11-14T22:13:37.000Z"
    assert (match["host"], match["app"], match["process"], match["msgid"]) == (
        "box-1",
        "tegwatch",
        "42",
        "alarm",
    )
    assert ' id="north-17-1700000017000"' in match["parameters"]
    assert ' value="390.0 °F"' in match["parameters"]
    assert match["text"] == "Reboiler temperature high"


def test_likely_causes_go_along_whole_or_not_at_all() -> None:
    parameters = parsed(message(WORDING, alarm(1, causes=CAUSES), "b", 1))["parameters"]
    assert ' class="equipment"' in parameters
    assert ' cause1="gas hotter than usual (62 %); for: gas temperature up, ' in parameters
    assert ' cause2="pump worn (10 %); for: stroke rate up; check first: Compare delivery' in parameters
    long = dataclasses.replace(CAUSES[1], evidence_against=tuple(f"observable {n} up" for n in range(70)))
    line = message(WORDING, alarm(1, causes=(CAUSES[0], long, CAUSES[1])), "b", 1)
    match = parsed(line)
    assert " cause1=" in match["parameters"]
    assert " cause2=" not in match["parameters"]
    assert " cause3=" not in match["parameters"]
    assert match["text"] == "Reboiler temperature high"
    assert len(line) <= 2048


def test_severity_follows_priority_and_a_return_is_a_notice() -> None:
    severities = [int(parsed(message(WORDING, alarm(1, priority=p), "b", 1))["pri"]) % 8 for p in Priority]
    assert severities == [4, 3, 2, 1]
    assert int(parsed(message(WORDING, alarm(1, state=AlarmState.NORMAL), "b", 1))["pri"]) % 8 == 5
    assert parsed(message(WORDING, event(1), "b", 1))["msgid"] == "event"


def test_nothing_in_a_text_can_forge_another_line_or_parameter() -> None:
    nasty = 'x"]\n<129>1 - - forged \\ \x00'
    match = parsed(message(WORDING, alarm(1, message=nasty, name=nasty), "b\nc d", 1))
    assert match["host"] == "bcd"
    assert "\n" not in match.string
    assert 'alarm="x\\"\\] <129>1 - - forged \\\\  "' in match["parameters"]


def test_a_long_message_is_cut_to_what_receivers_take_without_cutting_a_character() -> None:
    line = message(WORDING, alarm(1, message="°" * 5000), "b", 1)
    assert 2046 <= len(line) <= 2048
    parsed(line)


class Receiver:
    def __init__(self) -> None:
        self.lines: asyncio.Queue[bytes] = asyncio.Queue()
        self.writers: list[asyncio.StreamWriter] = []

    async def connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                length = int(await reader.readuntil(b" "))
                self.lines.put_nowait(await reader.readexactly(length))
        writer.close()


@contextlib.asynccontextmanager
async def receiver(
    context: ssl.SSLContext | None = None, port: int = 0
) -> AsyncIterator[tuple[Receiver, int]]:
    made = Receiver()
    server = await asyncio.start_server(made.connected, "127.0.0.1", port, ssl=context)
    try:
        yield made, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in made.writers:
            writer.transport.abort()
        await asyncio.sleep(0)


def sink_to(port: int, transport: str, **more: object) -> SyslogSink:
    keys = {
        "kind": "syslog",
        "name": "log",
        "host": "localhost",
        "port": port,
        "transport": transport,
        **more,
    }
    return SyslogSink(SyslogSettings.model_validate(keys), WORDING)


async def test_over_tls_with_a_checked_certificate(tmp_path: Path) -> None:
    ca, other = trustme.CA(), trustme.CA()
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    other.cert_pem.write_to_path(tmp_path / "other.pem")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ca.issue_cert("localhost").configure_cert(context)
    async with receiver(context) as (made, port):
        sink = sink_to(port, "tls", tls={"ca_file": str(tmp_path / "ca.pem")})
        await sink.deliver([alarm(1), alarm(2, message="Größe °F")])
        assert parsed(await made.lines.get())["text"] == "Reboiler temperature high"
        assert parsed(await made.lines.get())["text"] == "Größe °F"
        await sink.close()
        stranger = sink_to(port, "tls", tls={"ca_file": str(tmp_path / "other.pem")})
        with pytest.raises(DeliveryFailed, match="certificate verify failed"):
            await stranger.deliver([alarm(3)])
        assert made.lines.empty()


async def test_a_receiver_that_closed_is_noticed_before_anything_is_lost() -> None:
    async with receiver() as (made, port):
        sink = sink_to(port, "tcp")
        await sink.deliver([alarm(1)])
        await made.lines.get()
        made.writers[0].close()
        assert sink._stream is not None
        await sink._stream[0].read()  # until the end of the connection has arrived
        with pytest.raises(DeliveryFailed, match="closed by the receiver"):
            await sink.deliver([alarm(2)])
        await sink.deliver([alarm(2)])
        assert ' sequence="2"' in parsed(await made.lines.get())["parameters"]
        await sink.close()
    with pytest.raises(DeliveryFailed, match="syslog receiver localhost"):
        await sink.deliver([alarm(3)])


async def test_over_udp_each_message_is_a_datagram() -> None:
    got: asyncio.Queue[bytes] = asyncio.Queue()

    class Datagrams(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, addr: object) -> None:
            got.put_nowait(data)

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Datagrams, local_addr=("127.0.0.1", 0))
    sink = sink_to(transport.get_extra_info("sockname")[1], "udp", host="127.0.0.1")
    await sink.deliver([alarm(1), alarm(2)])
    assert [parsed(await got.get())["msgid"] for _ in range(2)] == ["alarm", "alarm"]
    await sink.close()
    transport.close()


def test_tls_settings_need_tls() -> None:
    with pytest.raises(ValueError, match='"tls" needs transport = "tls"'):
        sink_to(1, "tcp", tls={})
