"""A station for browser tests: an independent Modbus server, the daemon as a process, four people."""

from __future__ import annotations

import contextlib
import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
from pyModbusTCP.server import DataBank, ModbusServer

from daemon.web.access.accounts import Accounts, AccountsFile, User
from daemon.web.access.passwords import hash_password
from daemon.web.access.permissions import Role
from tests.support.brokers import free_port

PATIENCE = 30.0
PASSWORD = "violet harbour eats 7 lamps"
PEOPLE = {"vera": Role.VIEWER, "olga": Role.OPERATOR, "emil": Role.ENGINEER, "ada": Role.ADMIN}
HIGH = "reboiler_temperature_high"

SITE = """
schema_version = 1
[site]
name = "test-site"
title = "Test site"
barometric_pressure = "14.696 psia"
unit_system = "us"
time_zone = "America/Denver"
[site.pipeline_limit]
water_content = "7 lb/MMscf"
[journal]
path = "journal.sqlite3"
[web]
port = {web}
request_burst = 500
requests_per_second = 200
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {modbus}
addressing = "zero-based"
scan_period = "500 ms"
timeout = "400 ms"
reconnect_delay_max = "1 s"
[[units]]
name = "{unit}"
title = "Unit one"
scan_period = "500 ms"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "375 degF"
[[units.pumps]]
name = "p-1"
displacement = "0.02 gal"
stall_rate = "8 /min"
maximum_rate = "40 /min"
{signals}
[alarms.reboiler_temperature_high]
on_delay = "500 ms"
off_delay = "500 ms"
[alarms.instrument_bad]
on_delay = "500 ms"
off_delay = "500 ms"
"""

ANALOG = (
    ("reboiler_temperature", 0, 'type = "float32", unit = "degF", range = [0, 500]'),
    ("contactor_temperature", 2, 'type = "float32", unit = "degF", range = [0, 200]'),
    ("contactor_pressure", 4, 'type = "float32", unit = "psig", range = [0, 1500]'),
    ("gas_rate", 6, 'type = "float32", unit = "MMscfd", range = [0, 20]'),
    ("stroke_rate", 8, 'type = "uint16", scale = 0.1, unit = "/min", range = [0, 60]'),
    ("surge_level", 9, 'type = "uint16", scale = 0.1, unit = "%", range = [0, 100]'),
)
SIGNALS = "\n".join(
    [
        "[units.signals]",
        *(
            f'{name} = {{ controller = "plc", table = "holding", address = {address}, {rest} }}'
            for name, address, rest in ANALOG
        ),
        'burner_on = { controller = "plc", table = "discrete", address = 3, type = "bool" }',
    ]
)


def _words(value: float) -> list[int]:
    return list(struct.unpack(">HH", struct.pack(">f", value)))


@dataclass
class Station:
    """What a browser test has in its hands."""

    url: str
    bank: DataBank
    process: subprocess.Popen[bytes]
    log: Path

    def put(self, *, reboiler: float = 375.0, strokes: float = 12.0) -> None:
        """Set the registers, in the field units of the site file."""
        registers = [*_words(reboiler), *_words(90.0), *_words(900.0), *_words(5.0), round(strokes * 10), 550]
        self.bank.set_holding_registers(0, registers)
        self.bank.set_discrete_inputs(3, [True])

    @contextlib.contextmanager
    def silent(self) -> Iterator[None]:
        """Hold the daemon still: its connections stay open, and nothing comes over them."""
        self.process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self.process.send_signal(signal.SIGCONT)

    def restart(self) -> None:
        """Kill the daemon and start it again on its files; returns when it watches."""
        self.process.kill()
        self.process.wait()
        (self.log.parent / "tegwatch.sock").unlink()  # what the killed one left there answers nobody
        self.process = _daemon(self.log.parent / "site.toml", self.log)
        _wait_until_watched(self)

    def settle(self) -> None:
        """Make everything normal and acknowledge what went; return when nothing is annunciated."""
        self.put()
        end = time.monotonic() + PATIENCE
        while standing := [alarm for alarm in self.ask("/v1/alarms").json() if alarm["annunciated"]]:
            assert time.monotonic() < end, standing
            for alarm in standing:
                route = f"/v1/alarms/{alarm['unit']}/{alarm['alarm']}/acknowledge"
                self.ask(route, {"actor": "test", "occurrence": alarm["occurrence"]})
            time.sleep(0.2)  # conditions go after their delay

    def ask(self, route: str, body: dict[str, str] | None = None) -> httpx.Response:
        """Ask the daemon over its Unix socket, or tell it something."""
        with httpx.Client(
            transport=httpx.HTTPTransport(uds=str(self.log.parent / "tegwatch.sock"))
        ) as client:
            if body is None:
                return client.get(f"http://daemon{route}")
            return client.post(f"http://daemon{route}", json=body)


@contextlib.contextmanager
def running_station(folder: Path, unit: str = "unit-1") -> Iterator[Station]:
    """Start everything on the journal in ``folder``, where there is one; end it in order."""
    modbus, web = free_port(), free_port()
    site = folder / "site.toml"
    site.write_text(SITE.format(modbus=modbus, web=web, signals=SIGNALS, unit=unit))
    kept = hash_password(PASSWORD)
    people = tuple(
        User(name=name, role=role, password=kept, changed=time.time()) for name, role in PEOPLE.items()
    )
    AccountsFile(folder / "tegwatch-users.json").change(lambda _: Accounts(users=people))
    server = ModbusServer("127.0.0.1", modbus, no_block=True)
    server.start()
    log = folder / "daemon.log"
    station = Station(f"http://127.0.0.1:{web}", server.data_bank, _daemon(site, log), log)
    station.put()
    try:
        _wait_until_watched(station)
        yield station
    finally:
        process = station.process
        process.send_signal(signal.SIGCONT)
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        with contextlib.suppress(ValueError):
            server.stop()


def _daemon(site: Path, log: Path) -> subprocess.Popen[bytes]:
    with log.open("ab") as stream:
        return subprocess.Popen(
            [sys.executable, "-m", "daemon", "run", str(site)], stderr=stream, env={**os.environ}
        )


def _wait_until_watched(station: Station) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        assert station.process.poll() is None, station.log.read_text()[-3000:]
        if (station.log.parent / "tegwatch.sock").exists() and station.ask("/readyz").status_code == 200:
            return
        time.sleep(0.1)  # a process gives no event that says it answers
    raise AssertionError(f"the daemon does not answer: {station.log.read_text()[-3000:]}")
