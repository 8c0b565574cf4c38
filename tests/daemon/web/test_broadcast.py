"""Live values to many clients: written once, bounded for each, with a heartbeat and an end."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

import pytest

from daemon.web import broadcast
from daemon.web.broadcast import Broadcaster, StreamsFull
from daemon.web.views import Views
from tests.support.web_kit import HIGH, Rig


@pytest.fixture
async def live(rig: Rig) -> AsyncIterator[Broadcaster]:
    task = asyncio.create_task(rig.parts.broadcaster.run())
    await asyncio.sleep(0)
    yield rig.parts.broadcaster
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def events(pieces: AsyncIterator[bytes], name: str) -> list[dict[str, object]]:
    """Bodies of the named events in the next piece that has one."""
    async with asyncio.timeout(10):
        async for piece in pieces:
            found = [
                json.loads(part.split("\ndata: ", 1)[1])
                for part in piece.decode().split("\n\n")
                if part.startswith(f"event: {name}\n")
            ]
            if found:
                return found
    raise AssertionError("the stream ended")


async def test_a_scan_reaches_every_client_with_the_same_bytes(rig: Rig, live: Broadcaster) -> None:
    clients = [live.follow(lambda: True) for _ in range(3)]
    for client in clients:
        assert (await anext(client)).startswith(b":")
    assert live.clients == 3
    rig.scan(reboiler_temperature=490.0)
    pieces = [await anext(client) for client in clients]
    assert len(set(pieces)) == 1
    assert b"event: unit\n" in pieces[0]
    assert f'"alarm":"{HIGH}"'.encode() in pieces[0]
    for client in clients:
        await client.aclose()
    assert live.clients == 0


async def test_a_client_that_follows_one_unit_hears_of_no_other(rig: Rig, live: Broadcaster) -> None:
    mine, others = live.follow(lambda: True, "unit-1"), live.follow(lambda: True, "unit-2")
    await anext(mine)
    await anext(others)
    rig.scan()
    assert (await events(mine, "unit"))[0]["name"] == "unit-1"
    await rig.stored()
    assert [event["kind"] for event in await events(others, "event")] == ["test"]
    await mine.aclose()
    await others.aclose()


async def test_a_slow_client_loses_the_oldest_and_is_told(
    rig: Rig, live: Broadcaster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broadcast, "QUEUE", 4)
    slow = live.follow(lambda: True)
    await anext(slow)
    for _ in range(10):
        rig.scan()
    await rig.stored()
    assert live.dropped >= 7  # ten scans and an event or two, room for four
    assert await events(slow, "missed") == [{"pieces": live.dropped}]
    assert [unit["sequence"] for unit in await events(slow, "unit")] == [7, 8, 9]
    await slow.aclose()


async def test_silence_has_a_heartbeat(rig: Rig, live: Broadcaster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broadcast, "HEARTBEAT", 0.01)
    client = live.follow(lambda: True)
    await anext(client)
    async with asyncio.timeout(10):
        assert await anext(client) == b": heartbeat\n\n"
    await client.aclose()


async def test_a_stream_ends_with_its_credential(
    rig: Rig, live: Broadcaster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broadcast, "HEARTBEAT", 0.01)
    client = live.follow(lambda: False)
    await anext(client)
    assert await events(client, "ended") == [{"reason": "log in again"}]
    with pytest.raises(StopAsyncIteration):
        await anext(client)
    assert live.clients == 0


async def test_more_clients_than_allowed_are_refused(rig: Rig) -> None:
    few = Broadcaster(Views(rig.daemon.site), rig.daemon.writer.subscribe, 1)
    one = few.follow(lambda: True)
    await anext(one)
    with pytest.raises(StreamsFull, match="1 clients"):
        few.follow(lambda: True)
    await one.aclose()
    again = few.follow(lambda: True)
    await anext(again)
    await again.aclose()


async def test_nothing_is_written_while_nobody_follows(
    rig: Rig, live: Broadcaster, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object) -> None:
        raise AssertionError("a view was made for nobody")

    monkeypatch.setattr(Views, "live", never)
    rig.scan()
    await rig.stored()
    assert live.clients == 0
