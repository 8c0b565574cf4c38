"""For every test: no connection leaves the host, no task is left behind, property tests are repeatable."""

from __future__ import annotations

import asyncio
import ipaddress
import os
import socket
from collections.abc import AsyncIterator, Generator, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.support.recording_modbus import SEEN

settings.register_profile(
    "quick",
    max_examples=60,
    deadline=None,  # a shared machine pauses; speed is measured in tests/bench
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.register_profile("thorough", settings.get_profile("quick"), max_examples=2000, derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "quick"))

_connect = socket.socket.connect


def _is_local(address: object) -> bool:
    if not isinstance(address, tuple):
        return True  # a Unix socket's path
    host = str(address[0])
    return host == "localhost" or ipaddress.ip_address(host).is_loopback


@pytest.fixture(autouse=True, scope="session")
def loopback_only() -> Iterator[None]:
    """Fail any test that tries to reach another host."""

    def connect(self: socket.socket, address: Any) -> None:
        if not _is_local(address):
            raise AssertionError(f"a test tried to connect to {address}")
        _connect(self, address)

    patch = pytest.MonkeyPatch()
    patch.setattr(socket.socket, "connect", connect)
    yield
    patch.undo()


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, object, object]:
    """Keep looptime from making, and leaving open, an event loop for a test that has none."""
    if pyfuncitem.get_closest_marker("asyncio") is None:
        asyncio.set_event_loop(None)
    return (yield)


@pytest.fixture(autouse=True, scope="session")
def only_reads_arrive() -> Iterator[None]:
    """Fail the whole run if anything but a read ever reached one of the recording Modbus servers."""
    yield
    reads = {1, 2, 3, 4, 43}
    assert set(SEEN) <= reads, f"function codes that arrived: {sorted(SEEN)}"


@pytest.fixture(autouse=True)
def no_stray_tasks(request: pytest.FixtureRequest) -> None:
    """Fail any asynchronous test that leaves a task running."""
    if request.node.get_closest_marker("asyncio") is not None:
        request.getfixturevalue("stray_task_check")


@pytest.fixture
async def stray_task_check() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    stray = [task for task in asyncio.all_tasks() - before if task is not asyncio.current_task()]
    assert not stray, f"left running: {[task.get_name() for task in stray]}"
