"""The webhook sink against an HTTP receiver that answers, fails, stalls, redirects and goes away."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from config.sinks import WebhookSink as WebhookSettings
from config.units import UnitContext, display_units
from daemon.sinks.base import DeliveryFailed, route_test
from daemon.sinks.documents import Wording
from daemon.sinks.webhook import WebhookSink, cloud_event, refusal
from tests.support.clocks import FakeClock
from tests.support.journals import START, alarm

WORDING = Wording("north", display_units("us", UnitContext()), {})


class Receiver:
    """A minimal HTTP/1.1 server of the test's own; answers come from a list, then 204 for ever."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.requests: list[tuple[str, dict[str, str], bytes]] = []
        self.port = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
                headers = {k.lower(): v for k, _, v in (line.partition(": ") for line in head[1:]) if k}
                body = await reader.readexactly(int(headers.get("content-length", "0")))
                self.requests.append((head[0], headers, body))
                answer = self.answers.pop(0) if self.answers else "204 No Content"
                if answer == "stall":
                    await asyncio.Event().wait()
                if answer == "hang up":
                    break
                status, _, extra = answer.partition("|")
                writer.write(f"HTTP/1.1 {status}\r\ncontent-length: 0\r\n{extra}\r\n".encode())
                await writer.drain()
        writer.close()


@contextlib.asynccontextmanager
async def receiver(*answers: str) -> AsyncIterator[Receiver]:
    made = Receiver(*answers)
    tasks: set[asyncio.Task[None]] = set()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        try:
            await made.serve(reader, writer)
        finally:
            writer.close()

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def sink_to(port: int, **more: object) -> WebhookSink:
    keys = {"kind": "webhook", "name": "hook", "url": f"http://127.0.0.1:{port}/alarms?box=1", **more}
    return WebhookSink(WebhookSettings.model_validate(keys), WORDING, FakeClock())


async def test_events_are_signed_cloudevents_in_order(tmp_path: Path) -> None:
    secret, token = tmp_path / "secret", tmp_path / "token"
    secret.write_text("key\n")
    token.write_text("abc\n")
    for file in (secret, token):
        file.chmod(0o600)
    async with receiver() as hook:
        sink = sink_to(hook.port, secret_file=str(secret), token_file=str(token))
        await sink.deliver([alarm(1), alarm(2), route_test("north", START)])
        await sink.close()
    assert [json.loads(body)["id"] for *_, body in hook.requests] == [
        "north-1-1700000001000",
        "north-2-1700000002000",
        "north-0-1700000000000",
    ]
    line, headers, body = hook.requests[0]
    assert line == "POST /alarms?box=1 HTTP/1.1"
    assert headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    assert headers["authorization"] == "Bearer abc"
    assert headers["tegwatch-signature"] == "sha256=" + hmac.digest(b"key", body, hashlib.sha256).hex()
    event = json.loads(body)
    # CloudEvents 1.0, section "Required attributes", and the JSON event format.
    assert event["specversion"] == "1.0"
    assert event["source"] == "/tegwatch/north"
    assert event["type"] == "tegwatch.alarm"
    assert (event["subject"], event["severity"]) == ("unit-1/reboiler_high", 750)
    assert event["data"]["value"] == {"value": 390.0, "unit": "°F"}


def test_attribute_names_are_what_cloudevents_allows() -> None:
    """Lower-case letters and digits only (CloudEvents 1.0, "Naming conventions")."""
    event = cloud_event(WORDING, alarm(1))
    assert all(name.isalnum() and name == name.lower() for name in event)
    assert all(event[name] for name in ("id", "source", "specversion", "type"))


async def test_what_was_acknowledged_before_a_failure_is_told() -> None:
    async with receiver("200 OK", "503 Busy") as hook:
        sink = sink_to(hook.port)
        with pytest.raises(DeliveryFailed, match="HTTP 503") as failed:
            await sink.deliver([alarm(1), alarm(2), alarm(3)])
        assert (failed.value.delivered, failed.value.retryable) == (1, True)
        await sink.deliver([alarm(2), alarm(3)])
        await sink.close()
    assert [json.loads(body)["data"]["sequence"] for *_, body in hook.requests] == [1, 2, 2, 3]


@pytest.mark.parametrize(
    ("answer", "reason", "retryable", "wish"),
    [
        ("429 Slow|Retry-After: 90\r\n", "HTTP 429", True, 90.0),
        ("429 Slow|Retry-After: Tue, 14 Nov 2023 22:14:00 GMT\r\n", "HTTP 429", True, 40.0),
        ("410 Gone", "HTTP 410: the receiver is gone", False, None),
        ("415 No", "HTTP 415", False, None),
        (
            "302 Found|Location: http://elsewhere.invalid/\r\n",
            "a redirect to http://elsewhere.invalid/",
            False,
            None,
        ),
        ("hang up", "RemoteProtocolError", True, None),
    ],
)
async def test_answers_that_are_no_acknowledgement(
    answer: str, reason: str, retryable: bool, wish: float | None
) -> None:
    async with receiver(answer) as hook:
        sink = sink_to(hook.port)
        with pytest.raises(DeliveryFailed) as failed:
            await sink.deliver([alarm(1)])
        await sink.close()
    assert reason in failed.value.reason
    assert (failed.value.retryable, failed.value.retry_after) == (retryable, wish)
    assert len(hook.requests) == 1


async def test_a_receiver_that_stalls_or_is_not_there_is_a_failure() -> None:
    async with receiver("stall") as hook:
        sink = sink_to(hook.port, timeout=0.1)
        with pytest.raises(DeliveryFailed, match="ReadTimeout"):
            await sink.deliver([alarm(1)])
        await sink.close()
    sink = sink_to(hook.port)
    with pytest.raises(DeliveryFailed, match="ConnectError"):
        await sink.deliver([alarm(1)])
    await sink.close()


async def test_a_secret_that_others_can_read_is_not_used(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("key\n")
    secret.chmod(0o644)
    sink = sink_to(1, secret_file=str(secret))
    with pytest.raises(DeliveryFailed, match="chmod 600"):
        await sink.deliver([alarm(1)])


def test_client_errors_are_asked_again_at_the_longest_pause_only() -> None:
    assert [refusal(status, "", None).retryable for status in (400, 401, 404, 408, 425, 429, 500, 502)] == [
        False, False, False, True, True, True, True, True,
    ]  # fmt: skip


@pytest.mark.parametrize("url", ["ftp://x/y", "http://user:pw@x/y", "http://", "//x", "http://x/y#z"])
def test_urls_that_are_refused(url: str) -> None:
    with pytest.raises(ValueError, match="url"):
        WebhookSettings.model_validate({"kind": "webhook", "name": "hook", "url": url})
