"""What the service manager hears, on a real datagram socket, and when "alive" may be said."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.notify import PERIOD, ServiceManager, Vital, overdue, scans_of


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(path)
        listener.settimeout(5)
        yield listener, path


def test_states_arrive_as_lines_of_one_datagram(manager: tuple[socket.socket, str]) -> None:
    listener, path = manager
    service = ServiceManager({"NOTIFY_SOCKET": path})

    assert service.send("READY=1", "STATUS=2 units")
    assert listener.recv(4096) == b"READY=1\nSTATUS=2 units"
    service.close()
    assert not service.send("WATCHDOG=1")


def test_an_abstract_address_begins_with_an_at_sign() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0tegwatch-test-notify")
        listener.settimeout(5)
        service = ServiceManager({"NOTIFY_SOCKET": "@tegwatch-test-notify"})
        assert service.send("STOPPING=1")
        assert listener.recv(4096) == b"STOPPING=1"
        service.close()


def test_without_a_manager_nothing_is_sent() -> None:
    assert not ServiceManager({}).send("READY=1")


def test_a_manager_that_went_away_stops_nothing(manager: tuple[socket.socket, str]) -> None:
    listener, path = manager
    service = ServiceManager({"NOTIFY_SOCKET": path})
    listener.close()
    assert not service.send("WATCHDOG=1")
    service.close()


@pytest.mark.parametrize(
    ("asked", "meant_for", "period"),
    [
        ("6000000", "", 2.0),  # sd_watchdog_enabled(3): at half of it or quicker; here a third
        ("6000000", "42", 2.0),
        ("6000000", "43", PERIOD),  # another process is watched
        ("120000000", "42", PERIOD),
        ("0", "42", PERIOD),
        ("soon", "42", PERIOD),
    ],
)
def test_the_watchdog_is_fed_well_within_its_time(
    manager: tuple[socket.socket, str], asked: str, meant_for: str, period: float
) -> None:
    environment = {"NOTIFY_SOCKET": manager[1], "WATCHDOG_USEC": asked, "WATCHDOG_PID": meant_for}
    service = ServiceManager(environment, pid=42)
    assert service.period == period
    service.close()


@given(ages=st.lists(st.floats(0, 1000), max_size=5), limit=st.floats(1, 100), writer_alive=st.booleans())
def test_alive_means_that_everything_vital_goes_on(
    ages: list[float], limit: float, *, writer_alive: bool
) -> None:
    now = 10_000.0
    vitals = [Vital(f"task {number}", now - age, limit) for number, age in enumerate(ages)]
    fresh = writer_alive and all(now - one.last <= limit for one in vitals)

    assert (overdue(vitals, now, writer_alive=writer_alive) == ()) is fresh


def test_a_slow_unit_has_ten_of_its_own_periods() -> None:
    assert overdue([scans_of("slow", 0.0, 60.0)], 599.0, writer_alive=True) == ()
    assert overdue([scans_of("slow", 0.0, 60.0)], 601.0, writer_alive=True)
    assert overdue([scans_of("quick", 0.0, 0.1)], 4.9, writer_alive=True) == ()
    assert overdue([scans_of("quick", 0.0, 0.1)], 5.1, writer_alive=True)
