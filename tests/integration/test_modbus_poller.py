"""The poller against real sockets: what goes wrong costs only its own signals and says why."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass, field
from typing import TypeVar

import pytest

from daemon.model import LinkState, Quality, Status
from daemon.sources.modbus_faults import FaultKind
from tests.faults.proxy import FaultProxy
from tests.support.modbus_rig import running, tcp
from tests.support.recording_modbus import Received, RecordingModbusServer, tcp_frame

NUMBER = 'type = "uint16", quantity = "number"'
ROWS = {
    "a": f'table = "holding", address = 0, {NUMBER}',
    "b": f'table = "holding", address = 1, {NUMBER}',
    "c": f'table = "input", address = 5, {NUMBER}',
    "d": 'table = "coil", address = 3, type = "bool", quantity = "state"',
    "e": 'table = "discrete", address = 9, type = "bool", quantity = "state", inverted = true',
}


Server = TypeVar("Server", bound=RecordingModbusServer)


def filled(server: Server) -> Server:
    server.tables["holding"] |= {0: 11, 1: 12, 200: 13}
    server.tables["input"] |= {5: 21}
    server.tables["coil"] |= {3: 1}
    server.tables["discrete"] |= {9: 1}
    return server


async def test_all_four_tables_are_read_with_nothing_but_reads() -> None:
    async with filled(RecordingModbusServer()) as server, running(tcp(server.port), ROWS) as rig:
        await rig.until_good()
        values = {name: reading.value for name, reading in rig.readings.items()}
        assert values == {"a": 11.0, "b": 12.0, "c": 21.0, "d": 1.0, "e": 0.0}
        await rig.until(lambda: rig.link().state is LinkState.UP)
        await rig.cycles(5)
        assert server.function_codes == {1, 2, 3, 4}


async def test_a_new_value_is_there_one_cycle_later() -> None:
    async with filled(RecordingModbusServer()) as server, running(tcp(server.port), ROWS) as rig:
        await rig.until_good()
        server.tables["holding"][0] = 99
        await rig.cycles(2)
        assert rig.readings["a"].value == 99.0


async def test_a_lost_controller_goes_uncertain_then_bad_and_comes_back() -> None:
    server = filled(RecordingModbusServer())
    await server.start()
    async with running(tcp(server.port), ROWS) as rig:
        await rig.until_good()
        good = rig.readings["a"]
        await server.stop()
        seen: set[Status] = set()

        def all_bad() -> bool:
            seen.update(reading.status for reading in rig.readings.values())
            return all(reading.quality is Quality.BAD for reading in rig.readings.values())

        await rig.until(all_bad)
        assert Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE in seen
        assert all(reading.value is None for reading in rig.readings.values())
        assert rig.readings["a"].status is Status.BAD_NOT_CONNECTED
        assert rig.link().state is LinkState.DOWN
        assert "Connection refused" in rig.link().reason
        assert rig.link().last_good >= good.received
        await server.start()
        await rig.until_good()
        await rig.until(lambda: rig.link().state is LinkState.UP)
    await server.stop()


async def test_an_uncertain_value_keeps_the_time_at_which_it_was_measured() -> None:
    server = filled(RecordingModbusServer())
    await server.start()
    async with running(tcp(server.port), ROWS) as rig:
        await rig.until_good()
        server.cut()
        await server.stop()
        await rig.until(lambda: rig.readings["a"].quality is not Quality.GOOD)
        held = rig.readings["a"]
        if held.quality is Quality.UNCERTAIN:
            received, value = held.received, held.value
            await rig.cycles()
            assert rig.readings["a"].quality is Quality.BAD or rig.readings["a"].received == received
            assert value == 11.0
        await rig.until_bad()


@dataclass
class OneAnswerBehind(RecordingModbusServer):
    """Answers every request with the right answer to the one before, and keeps that over connections."""

    before: Received | None = None
    honest: bool = True

    async def respond(self, request: Received, writer: asyncio.StreamWriter) -> None:
        if self.honest:
            await super().respond(request, writer)
            return
        before, self.before = self.before, request
        if before is not None:
            writer.write(tcp_frame(before.transaction_id, before.device_id, self.honest_pdu(before)))
            await writer.drain()


async def test_a_late_answer_never_becomes_the_value_of_another_address() -> None:
    # The trap found in pymodbus 3.16.1: registers of one address came back for another after a reconnect.
    rows = {
        "near": f'table = "holding", address = 0, {NUMBER}',
        "far": f'table = "holding", address = 200, {NUMBER}',
    }
    async with (
        filled(OneAnswerBehind()) as server,
        running(tcp(server.port, "timeout = '20 ms'"), rows) as rig,
    ):
        await rig.until_good()
        server.honest = False
        seen = set()
        for number in range(40):
            await rig.cycles()
            seen |= {(name, reading.value) for name, reading in rig.readings.items()}
            if number % 5 == 0:
                server.cut()
        assert seen <= {("near", 11.0), ("far", 13.0), ("near", None), ("far", None)}
        assert ("near", None) in seen
        server.honest = True
        await rig.until_good()


GATEWAY = {
    f"d{device}": f'table = "holding", address = 0, device_id = {device}, {NUMBER}' for device in (1, 2, 3)
}


async def test_a_dead_device_behind_a_gateway_does_not_stall_its_neighbours() -> None:
    async with (
        filled(RecordingModbusServer(devices=frozenset({1, 3}))) as server,
        running(tcp(server.port, "reconnect_delay_max = '400 ms'"), GATEWAY) as rig,
    ):
        await rig.until(
            lambda: rig.readings["d2"].quality is Quality.BAD and rig.readings["d3"].value == 11.0
        )
        assert rig.readings["d2"].status is Status.BAD_TIMEOUT
        assert "no answer within 0.1 s" in rig.readings["d2"].reason
        assert rig.link().state is LinkState.DEGRADED
        assert rig.link().reason.startswith("device 2: no answer")
        server.requests.clear()
        await rig.cycles(40)
        asked = [request.device_id for request in server.requests]
        assert asked.count(1) >= 36
        assert asked.count(3) >= 36
        assert 1 <= asked.count(2) <= 6  # 40 cycles are at least 0.8 s; tried again every 0.4 s at most
        assert server.connections == 1
        server.devices = None
        await rig.until_good()


async def test_one_missing_address_costs_only_its_own_signal() -> None:
    rows = {f"s{n}": f'table = "holding", address = {n}, {NUMBER}' for n in range(20)}
    missing = frozenset({("holding", 7)})
    async with (
        filled(RecordingModbusServer(illegal=missing)) as server,
        running(tcp(server.port), rows) as rig,
    ):
        await rig.until(lambda: rig.readings["s7"].status is not Status.BAD_WAITING_FOR_INITIAL_DATA)
        assert rig.readings["s7"].status is Status.BAD_CONFIGURATION_ERROR
        assert rig.readings["s7"].reason == "Modbus exception 2: illegal data address"
        others = [reading for name, reading in rig.readings.items() if name != "s7"]
        assert all(reading.quality is Quality.GOOD for reading in others)
        assert rig.link().state is LinkState.DEGRADED
        server.requests.clear()
        await rig.cycles(8)
        refused = [r for r in server.requests if r.address <= 7 < r.address + r.count]
        assert len(refused) <= 3  # left alone for a slow scan period each time
        assert len(server.requests) <= 8 * 7  # log2(20) halves, not 20 single reads


async def test_a_gap_with_an_address_that_does_not_exist_is_avoided() -> None:
    rows = {f"s{n}": f'table = "holding", address = {n}, {NUMBER}' for n in (0, 1, 4, 5)}
    missing = frozenset({("holding", 3)})
    async with (
        filled(RecordingModbusServer(illegal=missing)) as server,
        running(tcp(server.port), rows) as rig,
    ):
        await rig.until_good()
        assert rig.readings["s1"].value == 12.0
        assert server.requests[0].count == 6


@dataclass
class Busy(RecordingModbusServer):
    """Answers with the exception codes in turn."""

    codes: list[int] = field(default_factory=list)

    def honest_pdu(self, request: Received) -> bytes:
        if self.codes:
            return bytes((request.function_code | 0x80, self.codes.pop()))
        return super().honest_pdu(request)


async def test_a_busy_device_keeps_its_last_value_as_uncertain_for_a_little() -> None:
    rows = {"a": ROWS["a"]}
    async with filled(Busy()) as server, running(tcp(server.port), rows) as rig:
        await rig.until_good()
        server.codes = [6]
        await rig.until(lambda: rig.readings["a"].quality is not Quality.GOOD)
        assert rig.readings["a"].value == 11.0
        assert "server device busy" in rig.readings["a"].reason
        await rig.until_good()
        server.codes = [6] * 6
        await rig.until_bad()
        await rig.until_good()


async def test_slow_signals_are_read_more_rarely() -> None:
    rows = {"fast": ROWS["a"], "slow": f'table = "input", address = 5, scan_class = "slow", {NUMBER}'}
    async with filled(RecordingModbusServer()) as server, running(tcp(server.port), rows) as rig:
        await rig.until_good()
        server.requests.clear()
        await rig.cycles(41)
        codes = [request.function_code for request in server.requests]
        assert codes.count(3) >= 40
        assert 2 <= codes.count(4) <= codes.count(3) / 5  # a tenth, and it is noisy here


async def test_a_slow_device_is_scanned_less_often_and_says_so() -> None:
    async with (
        filled(RecordingModbusServer()) as server,
        FaultProxy(server.port, latency=0.03) as proxy,
        running(tcp(proxy.port), {"a": ROWS["a"]}) as rig,
    ):
        await rig.until_good()
        await rig.until(lambda: rig.link().state is LinkState.DEGRADED)
        assert "longer than its period of 0.02 s" in rig.link().reason
        statistics = rig.poller.statistics
        await rig.until(lambda: statistics.skipped_ticks >= 3)
        assert statistics.requests - statistics.answers <= 1
        proxy.latency = 0.0
        await rig.until(lambda: rig.link().state is LinkState.UP)


async def test_a_half_open_connection_is_noticed_and_made_anew() -> None:
    async with (
        filled(RecordingModbusServer()) as server,
        FaultProxy(server.port) as proxy,
        running(tcp(proxy.port), ROWS) as rig,
    ):
        await rig.until_good()
        proxy.half_open = True
        await rig.until_bad()
        assert {reading.status for reading in rig.readings.values()} == {Status.BAD_TIMEOUT}
        await rig.until(lambda: rig.poller.statistics.connects >= 2)
        proxy.half_open = False
        proxy.reset()
        await rig.until_good()


@pytest.mark.parametrize("pieces", [1, 3, 7])
async def test_answers_in_pieces_are_put_together(pieces: int) -> None:
    async with (
        filled(RecordingModbusServer()) as server,
        FaultProxy(server.port, slice_bytes=pieces) as proxy,
        running(tcp(proxy.port), ROWS) as rig,
    ):
        await rig.until_good()
        assert rig.readings["c"].value == 21.0
        assert rig.poller.statistics.faults[FaultKind.MALFORMED] == 0


async def test_an_answer_cut_off_by_a_reset_is_never_a_value() -> None:
    async with (
        filled(RecordingModbusServer()) as server,
        FaultProxy(server.port) as proxy,
        running(tcp(proxy.port), {"a": ROWS["a"], "b": ROWS["b"]}) as rig,
    ):
        await rig.until_good()
        for cut in (0, 6, 7, 9, 12):
            proxy.truncate_after = cut
            await rig.cycles()
            assert rig.readings["a"].value in {11.0, None}
            await rig.until_good()


async def test_a_refusing_port_is_tried_ever_more_rarely_up_to_the_limit() -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound and not listening: every connection is refused
        settings = tcp(nobody.getsockname()[1], "reconnect_delay_max = '500 ms'")
        async with running(settings, ROWS) as rig:
            await rig.until(lambda: rig.poller.statistics.faults[FaultKind.NOT_CONNECTED] >= 3)
            assert rig.link().state is LinkState.DOWN
            assert {reading.status for reading in rig.readings.values()} == {Status.BAD_NOT_CONNECTED}
            lateness = rig.poller.statistics.lateness
            assert lateness.count > 3 * rig.poller.statistics.faults[FaultKind.NOT_CONNECTED]


async def test_a_name_that_does_not_resolve_is_a_reason_and_no_crash() -> None:
    settings = 'protocol = "modbus-tcp"\nhost = "a..b"\nport = 502'
    async with running(settings, ROWS) as rig:
        await rig.until(lambda: rig.link().state is LinkState.DOWN)
        assert "no connection to a..b:502" in rig.link().reason


async def test_a_controller_that_closes_idle_connections_is_read_all_the_same() -> None:
    async with filled(RecordingModbusServer()) as server, running(tcp(server.port), {"a": ROWS["a"]}) as rig:
        await rig.until_good()
        for _ in range(4):
            server.cut()
            await rig.cycles(2)
        assert rig.poller.statistics.connects >= 3
        await rig.until_good()
