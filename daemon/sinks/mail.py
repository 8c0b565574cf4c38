"""Alarms by e-mail: raised and returned ones, each in a message of its own, or many in one in a flood.

Mail may be late or lost behind the first server, so it is never the only way out.
"""

from __future__ import annotations

import asyncio
import email.message
import email.utils
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Sequence

import aiosmtplib

from config.controllers import Tls
from config.sinks import MailSink as MailSettings
from daemon.clock import Clock
from daemon.credentials import CredentialError, read_credentials, tls_context
from daemon.model import NO_LONGER_CONFIGURED, AlarmState, AlarmTransition, Entry, Event
from daemon.sinks.base import ROUTE_TEST, DeliveryFailed, Selection, Sink, selection_of
from daemon.sinks.documents import Wording, cause_words, entry_id
from daemon.times import rfc3339

FLOOD = 10
"""Messages within ``FLOOD_WINDOW`` beyond which alarms are gathered (the flood of ISA-18.2: 10 in 10 min)."""
FLOOD_WINDOW = 600.0
GATHER = 60.0
"""In a flood, the time between two messages [s]."""
SINGLE = 3
"""Alarms that come at once up to this number get a message each; more share one."""
_TOLD = {
    AlarmState.UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.NORMAL,
}
_CAUTION = (
    "tegwatch watches and is no safety system. Follow the site's procedures; acknowledge in the control room."
)


def told(entries: Iterable[Entry]) -> list[Entry]:
    """Return what is worth a mail: alarms raised, returned or taken away, route tests; no operators' acts."""

    def worth(body: object) -> bool:
        if isinstance(body, AlarmTransition):
            return body.state in _TOLD and (not body.actor or body.event == NO_LONGER_CONFIGURED)
        return isinstance(body, Event) and body.kind == ROUTE_TEST

    return [entry for entry in entries if worth(entry.body)]


def gathering(sent: Iterable[float], now: float) -> float:
    """Return how long to gather alarms before the next message [s]; 0 outside a flood.

    Parameters
    ----------
    sent : Iterable of float
        Monotonic times of the messages sent, oldest first.
    now : float
        Monotonic time.

    Examples
    --------
    >>> gathering([0.0, 1.0, 2.0], 3.0), gathering(range(10), 30.0), gathering(range(10), 700.0)
    (0.0, 39.0, 0.0)
    """
    recent = [time for time in sent if now - time < FLOOD_WINDOW]
    return max(0.0, recent[-1] + GATHER - now) if len(recent) >= FLOOD else 0.0


def messages(
    settings: MailSettings, wording: Wording, entries: Sequence[Entry]
) -> list[email.message.EmailMessage]:
    """Write the mails for entries that come at once: a few get one each, more share one."""
    groups = [[entry] for entry in entries] if len(entries) <= SINGLE else [list(entries)]
    return [_message(settings, wording, group) for group in groups]


class MailSink(Sink):
    """Sends mails through one server.

    Parameters
    ----------
    settings : config.sinks.MailSink
        Server, addresses, filter.
    wording : Wording
        How the site writes values.
    clock : Clock
        To tell a flood.
    """

    def __init__(
        self,
        settings: MailSettings,
        wording: Wording,
        clock: Clock,
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._settings = settings
        self._wording = wording
        self._clock = clock
        self._sleep = sleep
        self._sent: deque[float] = deque(maxlen=FLOOD)

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Alarms of the configured priority and units."""
        return selection_of(self._settings)

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Send what is worth a mail; in a flood, after a pause in which the journal gathers more."""
        chosen = told(entries)
        if not chosen:
            return
        # What comes during the pause is in the next batch, and so in the next message.
        await self._sleep(gathering(self._sent, self._clock.monotonic()))
        settings = self._settings
        try:
            user, password = read_credentials(settings.credentials_file)
            context = None if settings.security == "none" else tls_context(Tls(ca_file=settings.ca_file))
            server = aiosmtplib.SMTP(
                hostname=settings.host,
                port=settings.port,
                username=user,
                password=password,
                use_tls=settings.security == "tls",
                start_tls=settings.security == "starttls",
                tls_context=context,
                timeout=settings.timeout,
            )
            async with server:
                for mail in messages(settings, self._wording, chosen):
                    await server.send_message(mail)
                    self._sent.append(self._clock.monotonic())
        except (aiosmtplib.SMTPException, CredentialError, OSError) as error:
            raise DeliveryFailed(f"mail server {settings.host}:{settings.port}: {error}") from error


def _message(
    settings: MailSettings, wording: Wording, entries: Sequence[Entry]
) -> email.message.EmailMessage:
    mail = email.message.EmailMessage()
    mail["From"] = settings.sender
    mail["To"] = ", ".join(settings.recipients)
    mail["Date"] = email.utils.formatdate(entries[-1].time)
    # The same for a repeat, so that mail programs show it once.
    name = entry_id(wording.site, entries[0]) + (f"-to-{entries[-1].sequence}" if len(entries) > 1 else "")
    mail["Message-ID"] = f"<{name}@{settings.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"
    if len(entries) == 1:
        mail["Subject"] = _one_line(f"{wording.site}: {_headline(entries[0])}")
    else:
        mail["Subject"] = _one_line(f"{wording.site}: {len(entries)} alarm changes")
    blocks = [_block(wording, entry) for entry in entries]
    mail.set_content("\n\n".join([*blocks, _CAUTION]) + "\n")
    return mail


def _headline(entry: Entry) -> str:
    body = entry.body
    if isinstance(body, AlarmTransition):
        what = "returned to normal" if not _active(body) else body.priority.value
        if body.event == NO_LONGER_CONFIGURED:
            what = "no longer watched"
        return f"[{what}] {entry.unit}: {body.message}"
    return str(getattr(body, "message", ""))


def _active(alarm: AlarmTransition) -> bool:
    return alarm.state not in {AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED}


def _block(wording: Wording, entry: Entry) -> str:
    lines = [_headline(entry)]
    body = entry.body
    if isinstance(body, AlarmTransition):
        lines += [
            f"Time: {rfc3339(entry.time)}",
            f"State: {body.state.value}",
            *([f"Class: {body.alarm_class}"] if body.alarm_class else []),
            f"Reason: {_one_line(body.reason)}",
            f"Value: {wording.text(body.value, body.quantity) or 'none'}",
            f"Set point: {wording.text(body.setpoint, body.quantity) or 'none'}",
            f"Id: {entry_id(wording.site, entry)}",
        ]
        if body.causes:
            lines.append("Likely causes, by what moves; no verdict:")
            lines += [
                f"  {number}. {_one_line(cause_words(cause))}"
                for number, cause in enumerate(body.causes, start=1)
            ]
    return "\n".join(lines)


def _one_line(text: str) -> str:
    return "".join(character if character.isprintable() else " " for character in text)
