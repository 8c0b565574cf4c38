"""A changed site file in a running daemon: taken as a whole or refused as a whole, between two scans."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from pyModbusTCP.server import ModbusServer

from daemon.model import NO_LONGER_CONFIGURED
from daemon.reload import ReloadRefused, Reloads, differences, needs_restart
from tests.daemon.sinks.test_webhook import Receiver, receiver
from tests.support.brokers import free_port
from tests.support.daemon_process import command_json, run_command, running_daemon
from tests.support.sites import site_with

pytestmark = pytest.mark.timeout(120)

CONTROLLER = """
[[controllers]]
name = "{name}"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
addressing = "zero-based"
scan_period = "500 ms"
"""
SIGNALS = """
[units.signals.reboiler_temperature]
controller = "plc"
table = "holding"
address = 0
type = "uint16"
unit = "degF"
range = [0, 500]
"""
SITE = """
schema_version = 1
[site]
name = "test-site"
barometric_pressure = "14.696 psia"
unit_system = "us"
[site.pipeline_limit]
water_content = "7 lb/MMscf"
{controller}
[[units]]
name = "unit-1"
scan_period = "500 ms"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "{set_point} degF"
[[units.pumps]]
name = "p-1"
displacement = "0.02 gal"
stall_rate = "8 /min"
maximum_rate = "40 /min"
{signals}
[alarms.reboiler_temperature_high]
on_delay = "0 s"
{rest}
"""
HIGH = "reboiler_temperature_high"


def site_text(port: int, *, set_point: int = 375, rest: str = "") -> str:
    controller = CONTROLLER.format(name="plc", port=port)
    return SITE.format(controller=controller, signals=SIGNALS, set_point=set_point, rest=rest)


@pytest.fixture
def controller_port() -> Iterator[int]:
    """An independent Modbus server that shows 403 degF, high but not high-high, in register 0."""
    port = free_port()
    server = ModbusServer("127.0.0.1", port, no_block=True)
    server.start()
    server.data_bank.set_holding_registers(0, [403])
    yield port
    with suppress(ValueError):
        server.stop()


# ---------------------------------------------------------------- pure parts


def test_differences_name_keys_and_not_values() -> None:
    one = CONTROLLER.format(name="plc", port=502)
    old = site_with(one, SIGNALS)
    new = site_with(CONTROLLER.format(name="front", port=503) + one, SIGNALS.replace("500]", "450]"))

    found = differences(old, new)

    assert set(found) == {"controllers.front (added)", "units.unit-1.signals.reboiler_temperature.range"}
    assert differences(old, old) == ()
    assert "controllers.front (removed)" in differences(new, old)


def test_many_differences_are_counted() -> None:
    one = CONTROLLER.format(name="plc", port=502)
    many = "".join(CONTROLLER.format(name=f"plc-{number}", port=600 + number) for number in range(30))

    found = differences(site_with(one, SIGNALS), site_with(one + many, SIGNALS))

    assert len(found) == 21
    assert found[-1] == "and 10 more"


def test_what_holds_for_the_life_of_the_process_needs_a_restart() -> None:
    one = CONTROLLER.format(name="plc", port=502)
    old = site_with(one, SIGNALS)
    new = site_with(one, SIGNALS, '[journal]\npath = "other.sqlite3"\n[web]\nport = 8400')

    assert needs_restart(old, new) == ("journal.path", "web")
    assert needs_restart(old, site_with(one, SIGNALS.replace("500]", "450]"))) == ()


async def test_requests_wait_in_line_and_a_flood_of_them_is_refused() -> None:
    reloads = Reloads()
    for _ in range(4):
        reloads.ask_nowait("signal", "SIGHUP")
    with pytest.raises(ReloadRefused, match="waiting already"):
        await reloads.ask("kim", "x")
    assert (await reloads.next()).actor == "signal"


# ---------------------------------------------------------------- a running daemon


async def test_a_reload_keeps_alarms_and_leaves_no_scan_out(controller_port: int, tmp_path: Path) -> None:
    site = str(tmp_path / "site.toml")
    async with running_daemon(tmp_path, site_text(controller_port)) as daemon:
        raised = await daemon.until(lambda: daemon.alarm(HIGH), lambda alarm: alarm["state"] == "UNACK")
        before = await daemon.get("/v1/health")

        (tmp_path / "site.toml").write_text(site_text(controller_port, set_point=380))
        answer = await command_json("reload", site, "--reason", "new set point", "--as", "kim", "--json")
        assert answer["previous"] == before["configuration"]
        assert answer["changed"] == ["units.unit-1.reboiler.set_point"]
        after = await daemon.get("/v1/health")
        assert after["configuration"] == answer["configuration"] != before["configuration"]
        kept = await daemon.alarm(HIGH)
        assert (kept["state"], kept["occurrence"]) == ("UNACK", raised["occurrence"])
        shown = await daemon.value("reboiler_temperature")
        assert shown["value"] == pytest.approx(403.0)  # not one scan without a reading
        scans = (await daemon.unit())["sequence"]
        await daemon.until(daemon.unit, lambda unit: unit["sequence"] >= scans + 4)

        # A second one, by signal, with nothing new.
        daemon.process.send_signal(signal.SIGHUP)
        assert (await daemon.alarm(HIGH))["occurrence"] == raised["occurrence"]
        await daemon.stop()

    code, known, _ = await run_command("configurations", "list", site)
    assert code == 0
    assert known.splitlines()[-1].endswith("reloaded  text kept by kim: new set point")
    records = await command_json("history", site, "--records", "--format", "json", "--from", "-1h")
    kinds = [record["name"] for record in records]
    assert kinds.count("configuration changed") == 1
    assert [record["change"] for record in records if record["name"] == HIGH] == [
        "NORM -> UNACK (condition true)"
    ]


async def test_what_is_wrong_is_refused_as_a_whole(controller_port: int, tmp_path: Path) -> None:
    site = str(tmp_path / "site.toml")
    async with running_daemon(tmp_path, site_text(controller_port)) as daemon:
        before = (await daemon.get("/v1/health"))["configuration"]

        (tmp_path / "site.toml").write_text(
            site_text(controller_port).replace('unit = "degF"', 'unit = "psig"')
        )
        code, _, errors = await run_command("reload", site, "--reason", "typing mistake")
        assert code == 3
        assert "reboiler_temperature" in errors
        refused = await daemon.post("/v1/configuration/reload", {"reason": "by hand"})
        assert refused.status_code == 409
        assert "reboiler_temperature" in refused.json()["detail"]

        (tmp_path / "site.toml").write_text(site_text(controller_port, rest="[web]\nport = 8399"))
        code, _, errors = await run_command("reload", site, "--reason", "a page")
        assert code == 5
        assert "only a restart can change web" in errors

        no_reason = await daemon.post("/v1/configuration/reload", {"reason": ""})
        assert no_reason.status_code == 422
        assert (await daemon.get("/v1/health"))["configuration"] == before
        scans = (await daemon.unit())["sequence"]
        await daemon.until(daemon.unit, lambda unit: unit["sequence"] >= scans + 2)
        await daemon.stop()
    records = await command_json("history", site, "--records", "--format", "json", "--from", "-1h")
    assert [record["name"] for record in records].count("configuration refused") == 2


async def test_hang_up_takes_a_changed_file(controller_port: int, tmp_path: Path) -> None:
    async with running_daemon(tmp_path, site_text(controller_port)) as daemon:
        before = (await daemon.get("/v1/health"))["configuration"]
        (tmp_path / "site.toml").write_text(site_text(controller_port, set_point=390))
        daemon.process.send_signal(signal.SIGHUP)
        await daemon.until(lambda: daemon.get("/v1/health"), lambda health: health["configuration"] != before)
        # The stop may come in the middle of a reload.
        (tmp_path / "site.toml").write_text(site_text(controller_port, set_point=391))
        daemon.process.send_signal(signal.SIGHUP)
        await asyncio.sleep(0)
        assert await daemon.stop() == 0


async def test_what_a_reload_takes_away_is_told_as_ended(controller_port: int, tmp_path: Path) -> None:
    unit = site_text(controller_port)
    unit = unit[unit.index("[[units]]") : unit.index("[alarms.")].replace("unit-1", "unit-2")
    async with receiver() as hook:
        sink = '[[sinks]]\nkind = "webhook"\nname = "hook"\nunits = [%s]\n'
        sink += f'url = "http://127.0.0.1:{hook.port}/"\n'
        both, off = site_text(controller_port, rest=unit + sink % '"unit-1", "unit-2"'), "enabled = false\n"
        async with running_daemon(tmp_path, both) as daemon:
            first = await daemon.until(lambda: daemon.alarm(HIGH), lambda one: one["state"] == "UNACK")
            second = await daemon.until(
                lambda: daemon.alarm(HIGH, "unit-2"), lambda one: one["state"] == "UNACK"
            )
            # Unit 2 goes, out of the sink's filter too; unit 1 goes on without the alarm.
            (tmp_path / "site.toml").write_text(site_text(controller_port, rest=off + sink % '"unit-1"'))
            code, _, errors = await run_command(
                "reload", str(tmp_path / "site.toml"), "--reason", "sold", "--as", "kim"
            )
            assert code == 0, errors
            configuration = (await daemon.get("/v1/health"))["configuration"]
            heard = await daemon.until(
                lambda: ends_of(hook), lambda ends: {first["occurrence"], second["occurrence"]} <= ends.keys()
            )
            await daemon.stop()
    for occurrence in (first["occurrence"], second["occurrence"]):
        end = heard[occurrence]
        assert (end["state"], end["previous_state"], end["annunciated"]) == ("NORM", "UNACK", False)
        assert end["reason"] == f"removed from the configuration by reload {configuration}, kim"
        assert (end["actor"], end["alarm_class"], end["priority"]) == ("kim", "equipment", "medium")


async def ends_of(hook: Receiver) -> dict[str, dict[str, object]]:
    """By occurrence, what a receiver was told of alarms that are no longer configured."""
    told = [json.loads(body)["data"] for _, _, body in hook.requests]
    return {
        one["occurrence"]: one
        for one in told
        if one["type"] == "alarm" and one["event"] == NO_LONGER_CONFIGURED
    }
