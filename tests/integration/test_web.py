"""Page and API over TCP in the real daemon: from no user to an acknowledged alarm, and what may fail."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import ssl
import time
from collections.abc import AsyncGenerator, Iterator
from pathlib import Path

import httpx
import pytest
import trustme
from pyModbusTCP.server import ModbusServer

from config.web import WebSettings, WebTls
from daemon.web.server import tls_context
from tests.integration.test_daemon import HIGH, SITE, Plant
from tests.support.brokers import free_port
from tests.support.daemon_process import DaemonProcess, running_daemon
from tests.support.web_client import WEB, add_user, follow, make_users
from tests.support.web_kit import log_in

pytestmark = pytest.mark.timeout(180)


@pytest.fixture
def plant() -> Iterator[Plant]:
    port = free_port()
    server = ModbusServer("127.0.0.1", port, no_block=True)
    server.start()
    plant = Plant(server.data_bank, port)
    plant.put()
    yield plant
    with contextlib.suppress(ValueError):
        server.stop()


async def listening(daemon: DaemonProcess, base: str, verify: ssl.SSLContext | bool = True) -> None:
    """Return when the TCP listener answers."""
    async with httpx.AsyncClient(base_url=base, verify=verify) as client:

        async def alive() -> int:
            try:
                return (await client.get("/healthz")).status_code
            except httpx.TransportError as error:
                raise AssertionError(str(error)) from None

        await daemon.until(alive, lambda status: status == 200)


async def test_from_no_user_to_an_acknowledged_alarm(plant: Plant, tmp_path: Path) -> None:
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    async with running_daemon(tmp_path, SITE.format(port=plant.port) + WEB.format(port=port)) as daemon:
        await listening(daemon, base)
        lines = [json.loads(line) for line in daemon.log.read_text().splitlines()]
        assert [line["word"] for line in lines if line["event"] == "first_run"]
        await add_user(tmp_path / "site.toml", "oli", "admin")  # beside the running daemon
        async with httpx.AsyncClient(base_url=base, timeout=20) as client:

            async def logged_in() -> int:
                return (await log_in(client, "oli")).status_code

            await daemon.until(logged_in, lambda status: status == 201)
            stream = follow(client)
            name, body = await anext(stream)
            while name != "unit":
                name, body = await anext(stream)
            assert {value["name"] for value in body["signals"]} >= {"reboiler_temperature", "gas_rate"}

            plant.put(reboiler=400.0)
            async with asyncio.timeout(20):
                async for name, body in stream:
                    if name == "alarm" and body["alarm"] == HIGH:
                        break
            seen = {"occurrence": body["occurrence"], "comment": "seen"}
            done = await client.post(f"/v1/alarms/unit-1/{HIGH}/acknowledge", json=seen)
            assert done.status_code == 200, done.text
            assert done.json()["transitions"][0]["actor"] == "oli"
            async with asyncio.timeout(20):
                async for name, body in stream:
                    if name == "alarm" and body["state"] == "ACKED":
                        break
            assert isinstance(stream, AsyncGenerator)
            await stream.aclose()
            records = await client.get("/v1/records", params={"kind": "event", "format": "json"})
            kinds = [record["name"] for record in records.json()]
            assert {"daemon started", "users changed", "login", "operator action"} <= set(kinds)
            trend = await client.get("/v1/units/unit-1/trend", params={"name": "reboiler_temperature"})
            assert max(trend.json()["series"][0]["maximum"]) == pytest.approx(400.0, abs=0.1)
        assert await daemon.stop() == 0


async def test_a_port_that_is_taken_stops_no_alarm_and_is_tried_again(plant: Plant, tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        async with running_daemon(tmp_path, SITE.format(port=plant.port) + WEB.format(port=port)) as daemon:
            health = await daemon.until(
                lambda: daemon.get("/v1/health"),
                lambda health: any("cannot listen" in reason for reason in health["reasons"]),
            )
            assert health["status"] == "degraded"
            plant.put(reboiler=400.0)
            await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
            taken.close()
            await listening(daemon, f"http://127.0.0.1:{port}")
            assert await daemon.stop() == 0


def make_certificate(folder: Path) -> ssl.SSLContext:
    """Write key and certificate of the listener; return a client's trust in them."""
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    issued.private_key_and_cert_chain_pem.write_to_path(folder / "box.pem")
    trusted = ssl.create_default_context()
    authority.configure_trust(trusted)
    return trusted


async def test_tls_serves_nothing_older_than_1_2_and_a_bound_cookie(plant: Plant, tmp_path: Path) -> None:
    trusted = make_certificate(tmp_path)
    make_users(tmp_path, time.time())
    port = free_port()
    tls = '[web.tls]\ncertificate_file = "box.pem"\nkey_file = "box.pem"\n'
    site = SITE.format(port=plant.port) + WEB.format(port=port) + tls
    base = f"https://127.0.0.1:{port}"
    async with running_daemon(tmp_path, site) as daemon:
        await listening(daemon, base, trusted)
        async with httpx.AsyncClient(base_url=base, verify=trusted) as client:
            answer = await log_in(client, "viewer-1")
            assert answer.headers["set-cookie"].startswith("__Host-tegwatch=")
            assert "strict-transport-security" in answer.headers
            assert (await client.get("/v1/units")).status_code == 200
        async with httpx.AsyncClient(base_url=base) as stranger:  # without trust in this authority
            with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
                await stranger.get("/healthz")
        with pytest.warns(DeprecationWarning, match="TLSv1_1"):
            trusted.minimum_version = trusted.maximum_version = ssl.TLSVersion.TLSv1_1
        trusted.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.raises((ssl.SSLError, ConnectionResetError)):
            await asyncio.open_connection("127.0.0.1", port, ssl=trusted)
        await daemon.stop()


def test_the_listener_itself_refuses_old_versions(tmp_path: Path) -> None:
    make_certificate(tmp_path)
    settings = WebSettings(tls=WebTls(certificate_file="box.pem", key_file="box.pem"))
    context = tls_context(settings, tmp_path)
    assert context is not None
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2


def listening_sockets(process: int) -> set[str]:
    """Inodes of the TCP sockets on which a process listens, as the kernel lists them."""
    own = set()
    for link in Path(f"/proc/{process}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed since it was listed: it listens no more
            own.add(str(link.readlink()))
    rows = [
        line.split()
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/{process}/net/{table}").read_text().splitlines()[1:]
    ]
    return {f"socket:[{row[9]}]" for row in rows if row[3] == "0A"} & own


async def test_without_a_web_table_no_tcp_port_is_opened(plant: Plant, tmp_path: Path) -> None:
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        await daemon.until(daemon.unit, lambda unit: unit["sequence"] > 1)
        assert not listening_sockets(daemon.process.pid)


async def test_with_one_only_the_port_it_names_is_opened(plant: Plant, tmp_path: Path) -> None:
    port = free_port()
    async with running_daemon(tmp_path, SITE.format(port=plant.port) + WEB.format(port=port)) as daemon:
        await listening(daemon, f"http://127.0.0.1:{port}")
        assert len(listening_sockets(daemon.process.pid)) == 1


@pytest.mark.slow
async def test_a_thousand_idle_connections_and_a_huge_body_delay_no_alarm(
    plant: Plant, tmp_path: Path
) -> None:
    """Budget: on-delay (0.4 s) + one scan (0.2 s) + 0.5 s from the register to the alarm, as without load."""
    tokens = make_users(tmp_path, time.time())
    port = free_port()
    base = f"http://127.0.0.1:{port}"

    async def delay(daemon: DaemonProcess) -> float:
        plant.put(reboiler=400.0)
        began = time.monotonic()
        await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
        took = time.monotonic() - began
        occurrence = (await daemon.alarm(HIGH))["occurrence"]
        await daemon.post(f"/v1/alarms/unit-1/{HIGH}/acknowledge", {"actor": "kim", "occurrence": occurrence})
        plant.put()
        await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "NORM")
        return took

    async def huge_bodies() -> None:
        head = b"POST /v1/session HTTP/1.1\r\nhost: x\r\ntransfer-encoding: chunked\r\n\r\n"
        chunk = b"10000\r\n" + b"x" * 65536 + b"\r\n"
        while True:
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(head)
                for _ in range(1600):  # 100 MB, as far as it is taken
                    writer.write(chunk)
                    await writer.drain()
                writer.close()
            await asyncio.sleep(0.01)  # lets the others run between two attacks

    async with running_daemon(tmp_path, SITE.format(port=plant.port) + WEB.format(port=port)) as daemon:
        await listening(daemon, base)
        quiet = [await delay(daemon) for _ in range(3)]
        idle = await asyncio.gather(*(asyncio.open_connection("127.0.0.1", port) for _ in range(1000)))
        attack = asyncio.create_task(huge_bodies())
        loaded = [await delay(daemon) for _ in range(3)]
        async with httpx.AsyncClient(base_url=base, timeout=20) as client:  # and people are still served
            headers = {"authorization": f"Bearer {tokens['viewer']}"}
            assert (await client.get("/v1/units", headers=headers)).status_code == 200
        attack.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await attack
        for _, writer in idle:
            writer.close()
        health = await daemon.get("/v1/health")
        print(f"\nalarm after {max(quiet):.2f} s quiet, {max(loaded):.2f} s under attack; "
              f"worst lateness {health['worst_lateness']:.3f} s")  # fmt: skip
        assert max(loaded) <= max(1.1, 2.0 * max(quiet))
        await daemon.stop()
