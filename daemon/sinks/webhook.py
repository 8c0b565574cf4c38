"""Alarms as CloudEvents 1.0 by HTTP POST (structured mode), signed, one event a request, in order.

``Tegwatch-Signature: sha256=<hex>`` is the HMAC-SHA256 of the whole body with the shared key; ``id`` and
``time`` inside the body let a receiver drop a repeat and refuse an old one. Answers are taken as the
CloudEvents webhook specification says: 2xx is an acknowledgement, 429 is waited out as ``Retry-After`` asks,
410 means that nobody is there any more. Redirects are refused: they could lead anywhere.
"""

from __future__ import annotations

import datetime
import email.utils
import hashlib
import hmac
from collections.abc import Sequence

import httpx

from config.controllers import Tls
from config.sinks import WebhookSink as WebhookSettings
from daemon.clock import Clock
from daemon.credentials import CredentialError, read_secret, tls_context
from daemon.model import AlarmTransition, Entry
from daemon.sinks.base import DeliveryFailed, Selection, Sink, selection_of
from daemon.sinks.documents import Document, Wording, to_json

_NOT_NOW = {408, 425, 429}


def cloud_event(wording: Wording, entry: Entry) -> Document:
    """Wrap a journal entry's document as a CloudEvent.

    Parameters
    ----------
    wording : Wording
        How the site writes its documents.
    entry : Entry
        An alarm transition or event.
    """
    data = wording.document(entry)
    body = entry.body
    subject = f"{entry.unit}/{body.alarm}" if isinstance(body, AlarmTransition) else entry.unit
    event: Document = {
        "specversion": "1.0",
        "id": data["id"],
        "source": f"/tegwatch/{wording.site}",
        "type": f"tegwatch.{data['type']}",
        "time": data["time"],
        "datacontenttype": "application/json",
        "data": data,
    }
    if isinstance(body, AlarmTransition):
        event["severity"] = body.priority.severity
    return event | ({"subject": subject} if subject else {})


def signature(key: str, body: bytes) -> str:
    """Sign a body; receivers compare in constant time.

    Examples
    --------
    RFC 4231, test case 2:

    >>> signature("Jefe", b"what do ya want for nothing?")
    'sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843'
    """
    return "sha256=" + hmac.new(key.encode(), body, hashlib.sha256).hexdigest()


def retry_after(header: str | None, now: float) -> float | None:
    """Read a ``Retry-After`` header: seconds or an HTTP date (RFC 9110, section 10.2.3).

    Examples
    --------
    >>> retry_after("120", 0.0), retry_after("Wed, 15 Nov 2023 00:00:10 GMT", 1_700_006_400.0)
    (120.0, 10.0)
    >>> retry_after("soon", 0.0) is None
    True
    """
    if header is None:
        return None
    if header.strip().isascii() and header.strip().isdigit():
        return float(header)
    try:
        moment = email.utils.parsedate_to_datetime(header)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=datetime.UTC)
    return max(0.0, moment.timestamp() - now)


def refusal(status: int, location: str, wish: float | None) -> DeliveryFailed:
    """Say what an answer other than 2xx means for the delivery."""
    if 300 <= status < 400:
        return DeliveryFailed(f"HTTP {status}: a redirect to {location} is not followed", retryable=False)
    if status == 410:
        return DeliveryFailed("HTTP 410: the receiver is gone; take it out of the site file", retryable=False)
    retryable = status >= 500 or status in _NOT_NOW
    return DeliveryFailed(f"HTTP {status}", retryable=retryable, retry_after=wish)


class WebhookSink(Sink):
    """Posts journal entries to one receiver.

    Parameters
    ----------
    settings : config.sinks.WebhookSink
        Receiver, secrets, filter.
    wording : Wording
        How the site writes its documents.
    clock : Clock
        To read dates in ``Retry-After``.
    """

    def __init__(self, settings: WebhookSettings, wording: Wording, clock: Clock) -> None:
        self._settings = settings
        self._wording = wording
        self._clock = clock
        self._client: httpx.AsyncClient | None = None

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Alarms of the configured priority and units, and events."""
        return selection_of(self._settings)

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Post entries one after the other; what was acknowledged does not come again."""
        for delivered, entry in enumerate(entries):
            try:
                await self._post(to_json(cloud_event(self._wording, entry)))
            except DeliveryFailed as failed:
                failed.delivered = delivered
                raise

    async def close(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    async def _post(self, body: bytes) -> None:
        try:
            # Read each time, so that a new key or token needs no restart.
            key, token = read_secret(self._settings.secret_file), read_secret(self._settings.token_file)
            client = self._connected()
        except CredentialError as error:
            raise DeliveryFailed(str(error)) from error
        headers = {"Content-Type": "application/cloudevents+json; charset=utf-8", "User-Agent": "tegwatch"}
        if key is not None:
            headers["Tegwatch-Signature"] = signature(key, body)
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        try:
            answer = await client.post(self._settings.url, content=body, headers=headers)
        except httpx.HTTPError as error:
            raise DeliveryFailed(f"{type(error).__name__}: {error}".rstrip(": ")) from error
        if not answer.is_success:
            wish = retry_after(answer.headers.get("Retry-After"), self._clock.wall())
            raise refusal(answer.status_code, answer.headers.get("Location", ""), wish)

    def _connected(self) -> httpx.AsyncClient:
        if self._client is None:
            self._client = httpx.AsyncClient(
                timeout=self._settings.timeout,
                verify=tls_context(Tls(ca_file=self._settings.ca_file)),
                follow_redirects=False,
                trust_env=False,  # a proxy from the environment is a receiver that nobody listed
            )
        return self._client
