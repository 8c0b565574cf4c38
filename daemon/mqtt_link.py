"""The one door to the MQTT library.

A subscriber that cannot publish, and a publisher that can publish below its own prefix only. Each object is
one connection; whoever loses it makes a new one. (A client object that is entered again still delivers what
it had not got acknowledged before, so that a caller's own retry would arrive twice.)
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Coroutine, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self, cast

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from config.controllers import MqttBase
from config.topics import check_prefix, may_publish
from daemon.credentials import CredentialError, read_credentials, tls_context

IN_FLIGHT = 20
"""Messages sent before the first of them is acknowledged; order on the wire is kept."""
SESSION_KEPT = 7 * 86400
"""How long an MQTT 5 broker is asked to keep messages for an absent subscriber [s]."""
_TIMEOUT = 10.0


class LinkError(Exception):
    """The broker cannot be reached, refused us or went away; the text says which and why."""


class ForbiddenTopicError(ValueError):
    """A publish outside the daemon's own prefix: refused before it reaches the socket."""


@dataclass(frozen=True, slots=True)
class Message:
    """One received message."""

    topic: str
    payload: bytes
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Publication:
    """One message to publish, at quality of service 1."""

    topic: str
    payload: bytes
    retain: bool = False


class _Backlog(asyncio.Queue[aiomqtt.Message]):
    """Messages that came faster than they were taken; a full one forgets its oldest and counts it."""

    dropped = 0

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if self.full():
            self.get_nowait()
            self.dropped += 1
        super().put_nowait(item)


class _Connection:
    """What subscriber and publisher share: settings to client, enter, leave, error texts."""

    def __init__(
        self,
        settings: MqttBase,
        client_id: str,
        *,
        persistent: bool = False,
        will: Publication | None = None,
        queue_limit: int | None = None,
    ) -> None:
        try:
            user, password = read_credentials(settings.credentials_file)
            context = None if settings.tls is None else tls_context(settings.tls)
        except CredentialError as error:
            raise LinkError(str(error)) from error
        self._where = f"{settings.host}:{settings.port}"
        self._encrypted = settings.tls is not None
        self._backlog = _Backlog(maxsize=queue_limit or 0)
        version_5 = settings.version == "5"
        properties = None
        if version_5 and persistent:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's gap
            properties.SessionExpiryInterval = SESSION_KEPT
        self._client = aiomqtt.Client(
            settings.host,
            settings.port,
            username=user,
            password=password,
            identifier=client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if version_5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if version_5 else not persistent,
            clean_start=not persistent if version_5 else MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
            # aiomqtt makes its queue by calling this; ours is made already, so that its drops can be read.
            queue_type=cast("type[asyncio.Queue[aiomqtt.Message]]", lambda maxsize: self._backlog),
            will=None if will is None else aiomqtt.Will(will.topic, will.payload, 1, will.retain),
            keepalive=max(1, round(settings.keep_alive)),
            timeout=_TIMEOUT,
            tls_context=context,
        )
        self._client.pending_calls_threshold = 2 * IN_FLIGHT

    async def _enter(self) -> None:
        # The library connects in a thread that cannot be cancelled: let it end (5 s at most), then leave.
        entering = asyncio.ensure_future(self._client.__aenter__())
        try:
            await asyncio.shield(entering)
        except asyncio.CancelledError:
            with contextlib.suppress(aiomqtt.MqttError):
                await entering
                await self._leave()
            raise
        except aiomqtt.MqttError as error:
            why = str(error)
            if why == "Operation timed out":
                why = f"no answer within {_TIMEOUT:g} s"
                if (
                    self._encrypted
                ):  # TLS 1.3 lets the client finish before the broker looks at its certificate
                    why += ", which with TLS can mean that it refused our certificate or wants one"
            raise LinkError(f"cannot connect to the broker at {self._where}: {why}") from error

    async def _leave(self) -> None:
        # No answer to our good-bye: the connection is gone all the same.
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.__aexit__(None, None, None)


class Subscriber(_Connection):
    """One connection that receives messages of some topics at quality of service 1. It has no way to publish.

    Parameters
    ----------
    settings : MqttBase
        Broker and how to reach it.
    client_id : str
        The same at every connection, so that the broker knows the session again.
    topics : Sequence[str]
        Subscription filters.
    persistent : bool
        Whether the broker keeps messages while the daemon is away.

    Raises
    ------
    LinkError
        On entering: not reached, refused, or a subscription refused; while reading: connection lost.
    """

    def __init__(
        self, settings: MqttBase, client_id: str, topics: Sequence[str], *, persistent: bool
    ) -> None:
        super().__init__(settings, client_id, persistent=persistent, queue_limit=settings.queue_limit)
        self._topics = topics

    @property
    def dropped(self) -> int:
        """Messages of this connection that were forgotten because the queue was full."""
        return self._backlog.dropped

    async def __aenter__(self) -> Self:
        await self._enter()
        if not self._topics:
            return self
        try:
            granted = await self._client.subscribe([(topic, 1) for topic in self._topics])
        except BaseException as error:
            await self._leave()
            if isinstance(error, aiomqtt.MqttError):
                raise LinkError(f"the broker at {self._where} did not answer our subscription") from error
            raise
        codes = [code if isinstance(code, int) else code.value for code in granted]
        refused = [topic for topic, code in zip(self._topics, codes, strict=True) if code >= 128]
        if refused:
            await self._leave()
            raise LinkError(f"the broker at {self._where} refused the subscription to {', '.join(refused)}")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._leave()

    async def batches(self) -> AsyncIterator[list[Message]]:
        """Yield messages in order, all that are waiting at a time; ends only by an exception."""
        try:
            async for first in self._client.messages:
                batch = [_message(first)]
                while not self._backlog.empty():
                    batch.append(_message(self._backlog.get_nowait()))
                yield batch
        except aiomqtt.MqttError as error:
            raise LinkError(f"connection to the broker at {self._where} lost: {_cause(error)}") from error


class Publisher(_Connection):
    """One connection that publishes below one prefix. It has no way to publish anywhere else.

    Parameters
    ----------
    settings : MqttBase
        Broker and how to reach it.
    client_id : str
        The same at every connection.
    prefix : str
        Levels below which everything is published.
    will : Publication or None
        What the broker publishes when it loses us.

    Raises
    ------
    ForbiddenTopicError
        The will, or a publication, is not below the prefix; ``ValueError`` if the prefix is a command topic.
    LinkError
        Not reached, refused, not acknowledged in time, or lost.
    """

    def __init__(
        self, settings: MqttBase, client_id: str, prefix: str, will: Publication | None = None
    ) -> None:
        self._prefix = check_prefix(prefix)
        if will is not None:
            self._check(will)
        super().__init__(settings, client_id, will=will)
        self._watch: asyncio.Task[str] | None = None

    @property
    def lost(self) -> bool:
        """Whether the connection has ended."""
        return self._watch is None or self._watch.done()

    async def __aenter__(self) -> Self:
        await self._enter()
        self._watch = asyncio.create_task(self._watch_connection(), name=f"watch {self._where}")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait([self._watch])
        await self._leave()

    async def publish(self, publications: Sequence[Publication]) -> None:
        """Publish in order and return when the broker has acknowledged all of them."""
        for publication in publications:
            self._check(publication)
        for first in range(0, len(publications), IN_FLIGHT):
            chunk = publications[first : first + IN_FLIGHT]
            await self._acknowledged([self._publish_one(publication) for publication in chunk])

    def _check(self, publication: Publication) -> None:
        if not may_publish(publication.topic, self._prefix):
            raise ForbiddenTopicError(
                f'"{publication.topic}" is not below "{self._prefix}/": the daemon publishes nowhere else'
            )

    async def _publish_one(self, publication: Publication) -> None:
        await self._client.publish(publication.topic, publication.payload, qos=1, retain=publication.retain)

    async def _acknowledged(self, calls: list[Coroutine[Any, Any, None]]) -> None:
        if self._watch is None:
            raise RuntimeError("publish needs an entered connection")
        sending = asyncio.gather(*calls)
        ends: set[asyncio.Future[Any]] = {sending, self._watch}
        try:
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                raise LinkError(self._watch.result())
            sending.result()
        except aiomqtt.MqttError as error:
            raise LinkError(f"the broker at {self._where} did not acknowledge: {_cause(error)}") from error
        finally:
            sending.cancel()

    async def _watch_connection(self) -> str:
        try:
            async for _ in self._client.messages:  # nothing is subscribed: this only waits for the end
                pass
        except aiomqtt.MqttError as error:
            return f"connection to the broker at {self._where} lost: {_cause(error)}"
        return f"connection to the broker at {self._where} closed"


def _message(received: aiomqtt.Message) -> Message:
    return Message(str(received.topic), bytes(received.payload), received.retain)


def _cause(error: aiomqtt.MqttError) -> str:
    return str(error.__cause__ or error)
