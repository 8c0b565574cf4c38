"""The daemon as a service: what the service manager hears from its start to its end, on a real socket."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ops.test_reload import site_text
from tests.support.brokers import free_port
from tests.support.daemon_process import running_daemon

pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """A service manager that asks for a sign of life within three seconds."""
    path = str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", path)
    monkeypatch.setenv("WATCHDOG_USEC", "3000000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(path)
        listener.setblocking(False)
        yield listener


async def hear(manager: socket.socket, until: str) -> list[str]:
    """Return what is said until a state comes."""
    said: list[str] = []
    async with asyncio.timeout(30):
        while until not in said:
            said += (await asyncio.get_running_loop().sock_recv(manager, 4096)).decode().splitlines()
    return said


async def test_ready_alive_reloading_stopping(manager: socket.socket, tmp_path: Path) -> None:
    port = free_port()  # nobody listens there: a silent controller is no reason to be restarted
    async with running_daemon(tmp_path, site_text(port)) as daemon:
        assert "STATUS=watching 1 units" in await hear(manager, "READY=1")
        for _ in range(3):
            await hear(manager, "WATCHDOG=1")

        (tmp_path / "site.toml").write_text(site_text(port, set_point=380))
        daemon.process.send_signal(signal.SIGHUP)
        assert any(state.startswith("MONOTONIC_USEC=") for state in await hear(manager, "RELOADING=1"))
        await hear(manager, "READY=1")

        assert await daemon.stop() == 0
        await hear(manager, "STOPPING=1")


async def test_a_process_that_stands_still_does_not_say_that_it_lives(
    manager: socket.socket, tmp_path: Path
) -> None:
    async with running_daemon(tmp_path, site_text(free_port())) as daemon:
        await hear(manager, "WATCHDOG=1")
        daemon.process.send_signal(signal.SIGSTOP)
        await asyncio.sleep(0.2)  # a datagram may be on its way
        with contextlib.suppress(BlockingIOError):
            while manager.recv(4096):
                pass
        await asyncio.sleep(2.0)  # twice the period of its signs of life: silence has no event
        with pytest.raises(BlockingIOError):
            manager.recv(4096)
        daemon.process.send_signal(signal.SIGCONT)
        await hear(manager, "WATCHDOG=1")
        assert await daemon.stop() == 0
