"""The mail sink against a mail server of the test's own."""

from __future__ import annotations

import asyncio
import email
import email.policy
from collections.abc import AsyncIterator
from email.message import EmailMessage
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP

from config.sinks import MailSink as MailSettings
from config.units import UnitContext, display_units
from daemon.model import NO_LONGER_CONFIGURED, AlarmState
from daemon.sinks.base import DeliveryFailed, route_test
from daemon.sinks.documents import Wording
from daemon.sinks.mail import MailSink, gathering, told
from tests.support.clocks import FakeClock
from tests.support.journals import CAUSES, START, alarm, event

WORDING = Wording("north", display_units("us", UnitContext()), {})


class Mailbox:
    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.refuse = False
        self.port = 0

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.refuse:
            return "451 try again later"
        self.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
        return "250 kept"


@pytest.fixture
async def mailbox() -> AsyncIterator[Mailbox]:
    box = Mailbox()
    loop = asyncio.get_running_loop()
    protocols: list[SMTP] = []

    def connected() -> SMTP:
        protocols.append(SMTP(box, loop=loop, hostname="test", enable_SMTPUTF8=False))
        return protocols[-1]

    server = await loop.create_server(connected, "127.0.0.1", 0)
    box.port = server.sockets[0].getsockname()[1]
    yield box
    server.close()
    handlers = [protocol._handler_coroutine for protocol in protocols if protocol._handler_coroutine]
    await asyncio.gather(*handlers, return_exceptions=True)


def sink_to(port: int, clock: FakeClock, pauses: list[float]) -> MailSink:
    settings = MailSettings.model_validate(
        {
            "kind": "mail",
            "name": "mail",
            "host": "127.0.0.1",
            "port": port,
            "security": "none",
            "sender": "tegwatch@plant.example",
            "recipients": ("a@plant.example", "b@plant.example"),
        }
    )

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)
        clock.advance(seconds)

    return MailSink(settings, WORDING, clock, sleep=sleep)


async def test_an_alarm_is_a_mail_of_its_own(mailbox: Mailbox) -> None:
    sink = sink_to(mailbox.port, FakeClock(), [])
    await sink.deliver([alarm(1), alarm(2, state=AlarmState.NORMAL), route_test("north", START)])
    first, second, test = mailbox.mails
    assert first["Subject"] == "north: [high] unit-1: Reboiler temperature high"
    assert first["Message-ID"] == "<north-1-1700000001000@plant.example>"
    assert first["To"] == "a@plant.example, b@plant.example"
    text = first.get_content()
    assert "Value: 390.0 °F" in text
    assert "Set point: 389.0 °F" in text
    assert "is no safety system" in text
    assert second["Subject"] == "north: [returned to normal] unit-1: Reboiler temperature high"
    assert "Test message" in test["Subject"]


async def test_a_mail_says_what_is_likely_and_on_what_evidence(mailbox: Mailbox) -> None:
    await sink_to(mailbox.port, FakeClock(), []).deliver([alarm(1, causes=CAUSES)])
    text = mailbox.mails[0].get_content().replace("\r\n", "\n")
    assert "Class: equipment\n" in text
    assert (
        "Likely causes, by what moves; no verdict:\n"
        "  1. gas hotter than usual (62 %); for: gas temperature up, reboiler temperature down; against: gas "
        "rate up, expected as usual; not known: measured outlet moisture; check first: Look at the inlet "
        "cooler.\n"
        "  2. pump worn (10 %); for: stroke rate up; check first: Compare delivery with strokes.\n"
    ) in text


async def test_an_alarm_that_a_reload_took_away_is_told_as_what_it_is(mailbox: Mailbox) -> None:
    gone = alarm(1, state=AlarmState.NORMAL, event=NO_LONGER_CONFIGURED, actor="maria")
    await sink_to(mailbox.port, FakeClock(), []).deliver([gone])
    assert mailbox.mails[0]["Subject"].startswith("north: [no longer watched] unit-1:")


async def test_many_at_once_share_a_mail_in_order(mailbox: Mailbox) -> None:
    await sink_to(mailbox.port, FakeClock(), []).deliver([alarm(n) for n in range(1, 41)])
    (digest,) = mailbox.mails
    assert digest["Subject"] == "north: 40 alarm changes"
    text = digest.get_content()
    positions = [text.index(f"Id: north-{n}-") for n in range(1, 41)]
    assert positions == sorted(positions)


async def test_a_flood_is_gathered_once_a_minute(mailbox: Mailbox) -> None:
    clock, pauses = FakeClock(), list[float]()
    sink = sink_to(mailbox.port, clock, pauses)
    for n in range(1, 14):
        await sink.deliver([alarm(n)])
        clock.advance(1.0)
    assert pauses == [0.0] * 10 + [59.0] * 3
    assert len(mailbox.mails) == 13


def test_gathering_ends_with_the_flood() -> None:
    assert gathering([], 0.0) == 0.0
    assert gathering([100.0] * 10, 130.0) == 30.0
    assert gathering([100.0] * 10, 161.0) == 0.0
    assert gathering([100.0] * 10, 701.0) == 0.0


def test_what_operators_did_and_events_are_no_mail() -> None:
    entries = [
        alarm(1),
        alarm(2, state=AlarmState.ACKNOWLEDGED),
        alarm(3, state=AlarmState.SHELVED),
        event(4),
    ]
    assert [entry.sequence for entry in told(entries)] == [1]


async def test_a_text_cannot_add_headers(mailbox: Mailbox) -> None:
    await sink_to(mailbox.port, FakeClock(), []).deliver([alarm(1, message="x\r\nBcc: evil@example.org")])
    (mail,) = mailbox.mails
    assert mail["Bcc"] is None
    assert mail["Subject"] == "north: [high] unit-1: x  Bcc: evil@example.org"


async def test_a_server_that_refuses_or_is_not_there_is_a_failure(mailbox: Mailbox) -> None:
    sink = sink_to(mailbox.port, FakeClock(), [])
    mailbox.refuse = True
    with pytest.raises(DeliveryFailed, match="451"):
        await sink.deliver([alarm(1)])
    mailbox.refuse = False
    await sink.deliver([alarm(1)])
    assert len(mailbox.mails) == 1
    with pytest.raises(DeliveryFailed, match=r"mail server 127\.0\.0\.1:1:"):
        await sink_to(1, FakeClock(), []).deliver([alarm(1)])
