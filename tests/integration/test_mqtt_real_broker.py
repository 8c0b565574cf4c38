"""Delivery guarantees against a real broker: sessions, restarts, TLS, access lists."""

from __future__ import annotations

import asyncio
import json
import signal
import ssl
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import trustme

from config.sinks import MqttSink as MqttSettings
from daemon.credentials import tls_context
from daemon.model import LinkState, Reading, Status
from daemon.mqtt_link import LinkError, Publication, Publisher, Subscriber
from daemon.sinks.runner import SinkRunner
from daemon.sources.board import Board
from tests.integration.test_mqtt import CLOCK, sink_on, site_on, source_on
from tests.support.brokers import RealBroker, real_broker
from tests.support.journals import MemoryJournal, alarm
from tests.support.mqtt import BoardWatch, Listener, publish, running, value

pytestmark = pytest.mark.slow
SIGNAL = ("unit-1", "reboiler_temperature")


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[RealBroker]:
    async with real_broker(tmp_path) as running_broker:
        yield running_broker


@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_nothing_published_while_the_daemon_is_away_is_lost(broker: RealBroker, version: str) -> None:
    site = site_on(broker.port, f'version = "{version}"')
    board, past = Board(site, CLOCK), list[Reading]()
    watch = BoardWatch(board, "broker")
    began = time.time()
    async with running(source_on(site, board, past).run()):
        await publish_until_seen(broker.port, board, watch, 1.0)
    away = [("field/reboiler", value(100.0 + n, began - 4000 + n)) for n in range(3000)]
    await publish(broker.port, *away)
    async with running(source_on(site, board, past).run()):
        await watch.until(lambda: len(past) >= 3000)
        # The last of them is an hour old: history, and no value that looks alive.
        reading = board.reading(*SIGNAL)
        assert reading.status is Status.UNCERTAIN_LAST_USABLE_VALUE
        assert CLOCK.monotonic() - reading.received > 900
        await publish(broker.port, ("field/reboiler", value(190.0, time.time())))
        await watch.until(lambda: board.reading(*SIGNAL).status is Status.GOOD)
    assert [reading.value for reading in past] == [pytest.approx(373.15 + n) for n in range(3000)]


async def publish_until_seen(port: int, board: Board, watch: BoardWatch, number: float) -> None:
    for _ in range(100):
        await publish(port, ("field/reboiler", value(number, time.time())))
        try:
            await watch.until(lambda: board.reading(*SIGNAL).value == pytest.approx(number + 273.15), 0.2)
        except TimeoutError:
            continue
        return
    raise AssertionError("nothing arrived")


async def test_more_than_the_queue_holds_is_counted_and_the_newest_stay(broker: RealBroker) -> None:
    site = site_on(broker.port, "queue_limit = 50")
    settings = site.controllers[0]
    async with Subscriber(settings, "slow", ["field/#"], persistent=False) as subscriber:  # type: ignore[arg-type]
        batches = subscriber.batches()
        await publish(broker.port, ("field/a", b"first"))
        assert [message.payload for message in await anext(batches)] == [b"first"]
        async with Subscriber(settings, "witness", ["field/#"], persistent=False) as witness:  # type: ignore[arg-type]
            await publish(broker.port, *[("field/a", str(n).encode()) for n in range(500)])
            seen = 0
            async for batch in witness.batches():  # while it takes them one by one, the other takes none
                seen += len(batch)
                if batch[-1].payload == b"499":
                    break
        batch = await anext(batches)
    assert [message.payload for message in batch] == [str(n).encode() for n in range(450, 500)]
    assert subscriber.dropped == 450
    assert seen + witness.dropped == 500


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
async def test_a_broker_that_is_started_anew_gets_everything_once_per_id(
    broker: RealBroker, how: signal.Signals
) -> None:
    journal = MemoryJournal(*(alarm(n) for n in range(1, 21)))
    site = site_on(broker.port)
    board = Board(site, CLOCK)
    watch = BoardWatch(board, "broker")
    runner = SinkRunner(sink_on(broker.port), journal, CLOCK, spread=lambda: 1.0)
    down = asyncio.Event()
    runner._on_change = lambda health: down.set() if health.failing_since is not None else None
    runner._sleep = lambda seconds: asyncio.sleep(min(seconds, 0.1))
    source = source_on(site, board, [])
    source._shell._sleep = lambda seconds: asyncio.sleep(min(seconds, 0.1))
    first = Listener(broker.port, "tegwatch/north/event")
    async with running(runner.run(), source.run()):
        async with running(first.run()):
            # The listener may come after the first alarms: what it needs is the twentieth.
            await first.subscribed.wait()
            await journal.add(alarm(21))
            await first.until(lambda: b'"sequence":21' in b"".join(first.payloads("tegwatch/north/event")))
        await broker.stop(how)
        await journal.add(*(alarm(n) for n in range(22, 42)))
        await down.wait()
        assert journal.cursors["control-room"] == 21
        await broker.start()
        second = Listener(broker.port, "tegwatch/north/event", "tegwatch/north/status")
        async with running(second.run()):
            await journal.add(alarm(42))
            await second.until(lambda: b'"sequence":42' in b"".join(second.payloads("tegwatch/north/event")))
        await publish_until_seen(broker.port, board, watch, 55.0)
        assert board.link("broker").state is LinkState.UP
    streamed = [json.loads(text) for text in second.payloads("tegwatch/north/event")]
    sequences = [document["sequence"] for document in streamed]
    assert sequences == sorted(set(sequences)), "in order, none twice"
    retained = Listener(broker.port, "tegwatch/north/+/alarm/#")
    async with running(retained.run()):
        await retained.until(lambda: bool(retained.messages))
    assert json.loads(retained.messages[0][1])["sequence"] == 42


async def test_the_broker_says_offline_when_the_daemon_dies(broker: RealBroker) -> None:
    sink = sink_on(broker.port, keep_alive=1.0)
    await sink.beat()
    listener = Listener(broker.port, "tegwatch/north/status")
    async with running(listener.run()):
        await listener.until(lambda: listener.payloads("tegwatch/north/status") == [b"online"])
        # As the kernel does for a killed process: the socket closes without an MQTT good-bye.
        assert isinstance(sink._connection, Publisher)
        client = sink._connection._client._client
        client.socket().shutdown(2)  # type: ignore[union-attr]  # a plain socket of a live connection
        await listener.until(lambda: listener.payloads("tegwatch/north/status")[-1] == b"offline")
    await sink.close()


@pytest.fixture
def authority(tmp_path: Path) -> None:
    ca = trustme.CA()
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    server = ca.issue_cert("localhost", "127.0.0.1")
    server.cert_chain_pems[0].write_to_path(tmp_path / "server.pem")
    server.private_key_pem.write_to_path(tmp_path / "server.key")
    daemon = ca.issue_cert("box@plant", common_name="box")
    daemon.cert_chain_pems[0].write_to_path(tmp_path / "box.pem")
    daemon.private_key_pem.write_to_path(tmp_path / "box.key")


def tls_lines(folder: Path) -> list[str]:
    return [
        f"cafile {folder}/ca.pem",
        f"certfile {folder}/server.pem",
        f"keyfile {folder}/server.key",
        "require_certificate true",
        "use_identity_as_username true",
    ]


def tls_settings(folder: Path, port: int, **changes: object) -> MqttSettings:
    tls = {
        "ca_file": f"{folder}/ca.pem",
        "certificate_file": f"{folder}/box.pem",
        "key_file": f"{folder}/box.key",
        **changes,
    }
    return MqttSettings.model_validate(
        {"kind": "mqtt", "name": "x", "host": "localhost", "port": port, "tls": tls}
    )


# The library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
@pytest.mark.usefixtures("authority")
async def test_tls_with_client_certificates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.mqtt_link._TIMEOUT", 1.0)
    async with real_broker(tmp_path, *tls_lines(tmp_path)) as broker:
        port = broker.port
        async with Publisher(tls_settings(tmp_path, port), "box", "tegwatch") as publisher:
            await publisher.publish([Publication("tegwatch/x", b"1")])
        other = trustme.CA()
        other.cert_pem.write_to_path(tmp_path / "other.pem")
        with pytest.raises(LinkError, match="certificate verify failed"):
            async with Publisher(
                tls_settings(tmp_path, port, ca_file=f"{tmp_path}/other.pem"), "box", "tegwatch"
            ):
                raise AssertionError("a broker that nobody vouches for was trusted")
        with pytest.raises(LinkError, match="refused our certificate or wants one"):
            async with Publisher(
                tls_settings(tmp_path, port, certificate_file=None, key_file=None), "box", "tegwatch"
            ):
                raise AssertionError("the broker let us in without a certificate")
        with pytest.raises(LinkError, match="cannot use the TLS files"):
            Publisher(tls_settings(tmp_path, port, ca_file=f"{tmp_path}/absent.pem"), "box", "tegwatch")


async def test_credentials_and_an_access_list_that_shows_what_was_published(tmp_path: Path) -> None:
    """The broker lets the daemon's user publish anything and records it: all of it is below the prefix."""
    passwords, access = tmp_path / "passwords", tmp_path / "access"
    hasher = await asyncio.create_subprocess_exec(
        "mosquitto_passwd", "-c", "-b", str(passwords), "box", "secret"
    )
    assert await hasher.wait() == 0
    add = await asyncio.create_subprocess_exec("mosquitto_passwd", "-b", str(passwords), "witness", "w")
    assert await add.wait() == 0
    access.write_text("user box\ntopic readwrite #\nuser witness\ntopic read #\n")
    for file in (passwords, access):
        file.chmod(0o600)
    lines = ["allow_anonymous false", f"password_file {passwords}", f"acl_file {access}"]
    credentials = tmp_path / "credentials"
    credentials.write_text("box\nsecret\n")
    async with real_broker(tmp_path, *lines) as broker:
        listener = Listener(broker.port, "#", username="witness", password="w")
        journal = MemoryJournal(*(alarm(n, name=f"odd/+/#name{n}", unit="Unit/+ 1") for n in range(1, 30)))
        credentials.chmod(0o644)
        with pytest.raises(LinkError, match="open to others; run: chmod 600"):
            Publisher(sink_on(broker.port, credentials_file=str(credentials))._settings, "id", "tegwatch")
        credentials.chmod(0o600)
        site = site_on(broker.port, f'credentials_file = "{credentials}"')
        board = Board(site, CLOCK)
        sink = sink_on(broker.port, credentials_file=str(credentials))
        async with running(listener.run(), source_on(site, board, []).run()):
            await listener.subscribed.wait()
            async with running(SinkRunner(sink, journal, CLOCK).run()):
                await listener.until(lambda: len(listener.payloads("tegwatch/north/event")) >= 29)
        topics = {topic for topic, *_ in listener.messages}
        assert topics
        assert {topic for topic in topics if not topic.startswith("tegwatch/north/")} == set()
        credentials.write_text("box\nwrong\n")
        with pytest.raises(LinkError, match=r"(?i)not authori[sz]ed"):
            async with Publisher(sink._settings, "id", "tegwatch"):
                raise AssertionError("let in with a wrong password")


@pytest.mark.usefixtures("authority")
def test_tls_is_verified_by_default(tmp_path: Path) -> None:
    settings = tls_settings(tmp_path, 1)
    assert settings.tls is not None
    context = tls_context(settings.tls)
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname
