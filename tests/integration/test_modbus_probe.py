"""The probe: raw words beside values, the order that would be right, faults by name with what to do."""

from __future__ import annotations

from daemon.clock import SystemClock
from daemon.model import Quality
from daemon.sources.modbus_probe import ProbeReport, probe_modbus
from tests.support.modbus_rig import controller_toml, signals_toml, tcp
from tests.support.modbus_values import registers_of
from tests.support.recording_modbus import RecordingModbusServer
from tests.support.sites import site_with

ROWS = {
    "reboiler_temperature": 'table = "holding", address = 0, type = "float32", unit = "F", range = [0, 500]',
    "contactor_pressure": 'table = "holding", address = 2, type = "uint16", unit = "psig", scale = 0.1',
    "burner_on": 'table = "coil", address = 4, type = "bool"',
    "still_top_temperature": 'table = "input", address = 9, type = "int16", unit = "degF", device_id = 9',
    "stack_temperature": 'table = "input", address = 8, type = "int16", unit = "degF", bad_values = [-32768]',
    "flash_temperature": 'table = "input", address = 7, type = "int16", unit = "degF"',
}


async def probed(server: RecordingModbusServer, more: str = "") -> ProbeReport:
    site = site_with(controller_toml(tcp(server.port, more)), signals_toml(ROWS))
    (report,) = await probe_modbus(site, SystemClock())
    return report


def filled() -> RecordingModbusServer:
    server = RecordingModbusServer(devices=frozenset({1}), illegal=frozenset({("input", 7)}))
    low, high = registers_of("float32", 375.0, "low word first")
    server.tables["holding"] |= {0: low, 1: high, 2: 10000}
    server.tables["input"] |= {8: 0x8000}
    server.tables["coil"] |= {4: 1}
    return server


async def test_every_signal_is_told_raw_and_decoded_with_quality_and_round_trip_time() -> None:
    async with filled() as server:
        report = await probed(server)
        assert server.function_codes <= {1, 3, 4}
    by_name = {one.signal: one for one in report.signals}
    assert list(by_name) == list(ROWS)
    pressure = by_name["contactor_pressure"]
    assert (pressure.words, pressure.raw, pressure.value) == ((10000,), 10000, 1000.0)
    assert pressure.reading is not None
    assert pressure.reading.quality is Quality.GOOD
    assert pressure.round_trip is not None
    assert 0.0 < pressure.round_trip < 1.0
    assert by_name["burner_on"].raw == 1
    assert len(report.round_trips) == 4
    assert report.connect_time is not None


async def test_the_order_that_would_be_plausible_is_named() -> None:
    async with filled() as server:
        report = await probed(server)
    one = report.signals[0]
    assert not one.orders[0].plausible
    assert [order.value for order in one.orders if order.plausible] == [375.0]
    assert one.advice == (
        "The value is not plausible as configured; it would be 375 with "
        'word_order = "low word first", byte_order = "high byte first".'
    )
    async with filled() as server:
        report = await probed(server, 'word_order = "low word first"')
    assert report.signals[0].advice == ""


async def test_faults_are_told_by_name_with_what_to_do() -> None:
    async with filled() as server:
        report = await probed(server)
    by_name = {one.signal: one for one in report.signals}
    assert by_name["flash_temperature"].fault == "Modbus exception 2: illegal data address"
    assert "register map" in by_name["flash_temperature"].advice
    assert by_name["still_top_temperature"].fault == "no answer within 0.1 s"
    assert "device id" in by_name["still_top_temperature"].advice
    assert by_name["stack_temperature"].fault == "the device says that it has no value (0x8000)"


async def test_a_device_that_stays_silent_is_not_asked_for_ever() -> None:
    async with RecordingModbusServer(devices=frozenset()) as server:
        report = await probed(server)
        assert [request.device_id for request in server.requests] == [1, 1, 9]
    assert [one.fault for one in report.signals[3:]] == [
        "no answer within 0.1 s",
        "not asked: device 1 did not answer before",
        "not asked: device 1 did not answer before",
    ]


async def test_a_controller_that_is_not_there_is_one_fault_and_all_its_signals() -> None:
    server = RecordingModbusServer()
    await server.start()
    await server.stop()
    report = await probed(server)
    assert report.connect_time is None
    assert "Connection refused" in report.fault
    assert "powered" in report.advice
    assert [one.fault for one in report.signals] == [report.fault] * len(ROWS)
