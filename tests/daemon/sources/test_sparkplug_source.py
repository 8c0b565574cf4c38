"""The Sparkplug B source: readings on the board, and what happens without a broker or without messages."""

from __future__ import annotations

import asyncio

import pytest

from config.loader import unit_context
from daemon.model import LinkState, Quality, Status
from daemon.mqtt_link import LinkError, Message
from daemon.sources.board import Board
from daemon.sources.sparkplug_source import SparkplugSource, sparkplug_source
from tests.daemon.sources.test_mqtt_source import Wire
from tests.support.clocks import FakeClock
from tests.support.narrow import near
from tests.support.sites import site_with
from tests.support.sparkplug import birth, data, metric, payload

WALL = 1_700_000_000.0
STALE = Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE

SITE = """
[[controllers]]
name = "edge-broker"
protocol = "sparkplug-b"
host = "127.0.0.1"
group_id = "field"
"""
SIGNALS = """
[units.signals.reboiler_temperature]
controller = "edge-broker"
edge_node = "edge"
metric = "temperature"
unit = "degC"
[units.signals.contactor_pressure]
controller = "edge-broker"
edge_node = "edge"
device = "plc"
metric = "pressure"
unit = "kPa"
"""


async def test_the_source_puts_si_on_the_board_and_calls_all_stale_without_its_broker() -> None:
    site, clock = site_with(SITE, SIGNALS), FakeClock()
    board, past = Board(site, clock), []
    messages = [
        Message("spBv1.0/field/NBIRTH/edge", birth(metric("temperature", 1.0, alias=1)), retained=True),
        Message("spBv1.0/field/NBIRTH/edge", birth(metric("temperature", 190.0, alias=1))),
        Message("spBv1.0/field/DBIRTH/edge/plc", payload(metric("pressure", 7000.0, alias=2), seq=1)),
        Message("spBv1.0/field/NDATA/edge", data(180.0, 2, historical=True, time=WALL - 60)),
    ]
    wire = Wire([messages], LinkError("gone"), [])
    made = sparkplug_source(site, site.controllers[0], unit_context(site), board, clock, lambda *_: None)  # type: ignore[arg-type]
    source = SparkplugSource(
        site.controllers[0],  # type: ignore[arg-type]
        made._signals,
        "id",
        board,
        clock,
        lambda *late: past.append(late),
        wire.connect,
    )
    states = []

    async def sleep(_: float) -> None:
        link, reading = board.link("edge-broker"), board.reading("unit-1", "reboiler_temperature")
        states.append((link.state, reading.value, reading.status))
        await asyncio.sleep(0)

    source._shell._sleep = sleep
    good: list[tuple[float | None, float | None]] = []
    board.on_cycle(
        "edge-broker",
        lambda: good.append(
            (
                board.reading("unit-1", "reboiler_temperature").value,
                board.reading("unit-1", "contactor_pressure").value,
            )
        ),
    )
    task = asyncio.create_task(source.run())
    await wire.quiet.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert good == [(near(463.15), 7_000_000.0)]
    assert [(unit, name, reading.value) for unit, name, reading in past] == [
        ("unit-1", "reboiler_temperature", pytest.approx(453.15))
    ]
    assert states[0] == (LinkState.DOWN, near(463.15), STALE)
    assert board.reading("unit-1", "reboiler_temperature").quality is Quality.UNCERTAIN


@pytest.mark.looptime
async def test_the_reorder_time_out_runs_without_messages() -> None:
    site = site_with(SITE, SIGNALS)
    loop = asyncio.get_running_loop()
    start = loop.time()

    class LoopClock(FakeClock):
        def monotonic(self) -> float:
            return 1000.0 + loop.time() - start

    clock = LoopClock()
    board = Board(site, clock)
    batch = [
        Message("spBv1.0/field/NBIRTH/edge", birth(metric("temperature", 190.0, alias=1))),
        Message("spBv1.0/field/NDATA/edge", data(191.0, 5)),
    ]
    made = sparkplug_source(site, site.controllers[0], unit_context(site), board, clock, lambda *_: None)  # type: ignore[arg-type]
    source = SparkplugSource(
        site.controllers[0],  # type: ignore[arg-type]
        made._signals,
        "id",
        board,
        clock,
        lambda *_: None,
        lambda: Endless(batch),
    )
    stale = asyncio.Event()
    cycles: list[float] = []

    def cycle() -> None:
        cycles.append(loop.time() - start)
        if board.reading("unit-1", "reboiler_temperature").status is STALE:
            stale.set()

    board.on_cycle("edge-broker", cycle)
    task = asyncio.create_task(source.run())
    await stale.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert cycles == [pytest.approx(0.0, abs=0.5), pytest.approx(5.0, abs=0.5)]


class Endless:
    """A connection that brings one batch and then stays silent."""

    def __init__(self, batch: list[Message]) -> None:
        self.dropped = 0
        self._batch = batch

    async def __aenter__(self) -> Endless:
        return self

    async def __aexit__(self, *_: object) -> None:
        return

    async def batches(self):  # type: ignore[no-untyped-def]
        yield self._batch
        await asyncio.Event().wait()
