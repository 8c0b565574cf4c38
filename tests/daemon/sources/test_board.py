"""The board: every signal has a reading and every controller a link, from the first moment."""

from __future__ import annotations

import math

import pytest

from daemon.model import Link, LinkState, Reading, Status
from daemon.sources.board import Board
from tests.support.clocks import FakeClock
from tests.support.sites import site_with

SITE = site_with(
    """
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
[[controllers]]
name = "spare"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
""",
    """
[units.signals]
reboiler_temperature = { controller = "plc", table = "holding", address = 0, type = "int16", unit = "degF" }
""",
)
GOOD = Reading(460.0, Status.GOOD, 1.0, 2.0)


@pytest.fixture
def board() -> Board:
    return Board(SITE, FakeClock())


def test_what_has_not_arrived_is_bad_and_says_so(board: Board) -> None:
    reading = board.readings("unit-1")["reboiler_temperature"]
    assert (reading.value, reading.status) == (None, Status.BAD_WAITING_FOR_INITIAL_DATA)
    assert board.link("plc").state is LinkState.CONNECTING
    assert board.link("plc").last_good == -math.inf


def test_a_snapshot_does_not_change_with_later_readings(board: Board) -> None:
    before = board.readings("unit-1")
    board.put("unit-1", "reboiler_temperature", GOOD)
    assert before["reboiler_temperature"].value is None
    assert board.readings("unit-1")["reboiler_temperature"] is GOOD
    assert board.reading("unit-1", "reboiler_temperature") is GOOD


def test_a_unit_sees_the_links_that_its_signals_need(board: Board) -> None:
    board.set_link("plc", Link(LinkState.UP, 5.0))
    assert {name: link.state for name, link in board.links("unit-1").items()} == {"plc": LinkState.UP}
    assert set(board.controllers()) == {"plc", "spare"}


def test_unknown_names_are_refused_and_nothing_is_replaced(board: Board) -> None:
    with pytest.raises(KeyError, match="nonsense"):
        board.put("unit-1", "nonsense", GOOD)
    with pytest.raises(KeyError, match="nonsense"):
        board.put_many("unit-1", {"reboiler_temperature": GOOD, "nonsense": GOOD})
    with pytest.raises(KeyError, match="unit-2"):
        board.put_many("unit-2", {})
    with pytest.raises(KeyError, match="nobody"):
        board.set_link("nobody", Link(LinkState.UP, 0.0))
    assert board.reading("unit-1", "reboiler_temperature").value is None


def test_a_callback_is_called_at_each_cycle_of_its_controller_until_it_is_taken_back(board: Board) -> None:
    called = []
    stop = board.on_cycle("plc", lambda: called.append("plc"))
    board.cycle_done("plc")
    board.cycle_done("spare")
    assert called == ["plc"]
    stop()
    board.cycle_done("plc")
    assert called == ["plc"]
