"""The web layer on a real journal and real monitors, without a network: time and readings move by hand."""

from __future__ import annotations

import functools
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI

from config.alarm_set import resolve_alarms
from config.web import WebSettings
from daemon.acquisition import Fleet, UnitScanner, pacer_for
from daemon.journal.journal import Journal
from daemon.journal.writer import JournalWriter
from daemon.model import AlarmTransition, Event, Link, LinkState, OperatingState, Outcome, Reading, Status
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.sources.board import Board
from daemon.supervisor import TaskFigures
from daemon.web.access.accounts import Accounts, AccountsFile, Token, User, new_token
from daemon.web.access.authority import Authority
from daemon.web.access.passwords import hash_password
from daemon.web.access.permissions import Permission, Role
from daemon.web.access.throttle import RequestRate
from daemon.web.api import WebParts, local_api, network_api
from daemon.web.parts import Daemon
from tests.support.clocks import FakeClock
from tests.support.sites import site_with

CONTROLLER = """
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
addressing = "zero-based"
"""
SIGNALS = (
    "\n".join(
        f"""
[units.signals.{name}]
controller = "plc"
table = "holding"
address = {address}
type = "float32"
unit = "{unit}"
"""
        for address, (name, unit) in enumerate(
            [
                ("reboiler_temperature", "degF"),
                ("contactor_temperature", "degF"),
                ("contactor_pressure", "psig"),
                ("gas_rate", "MMscfd"),
                ("stroke_rate", "/min"),
            ]
        )
    )
    .replace("address = 1", "address = 2")
    .replace("address = 3", "address = 6")
    .replace("address = 4", "address = 8")
)
FAST_ALARM = """
[alarms.reboiler_temperature_high]
on_delay = "0 s"
off_delay = "0 s"
"""
HIGH = "reboiler_temperature_high"
NORMAL = {
    "reboiler_temperature": 463.7,
    "contactor_temperature": 305.4,
    "contactor_pressure": 6.3e6,
    "gas_rate": 1.64,
    "stroke_rate": 0.2,
}
"""Readings in SI of a unit that runs well: 375 degF, 90 degF, some 900 psig, 5 MMscfd, 12 a minute."""
PASSWORD = "violet harbour eats 7 lamps"
NETWORK = "http://127.0.0.1:8321"


@functools.cache
def password_hash() -> str:
    """One hash for all users: each costs a tenth of a second."""
    return hash_password(PASSWORD)


@dataclass
class Rig:
    """A daemon's web layer, and what it stands on."""

    clock: FakeClock
    daemon: Daemon
    board: Board
    scanner: UnitScanner
    parts: WebParts
    file: AccountsFile
    authority: Authority
    settings: WebSettings
    network: FastAPI
    audited: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)

    @functools.cached_property
    def local(self) -> FastAPI:
        """The application on the Unix socket."""
        return local_api(self.parts)

    def scan(self, seconds: float = 1.0, **readings: float | None) -> Outcome:
        """Let time pass and take one scan; readings in SI, ``None`` for a value that does not come."""
        self.clock.advance(seconds)
        wall, now = self.clock.wall(), self.clock.monotonic()
        for name, value in (NORMAL | readings).items():
            status = Status.GOOD if value is not None else Status.BAD_NO_COMMUNICATION
            reading = Reading(value, status, wall, now, "" if value is not None else "no answer")
            self.board.put("unit-1", name, reading)
        self.board.set_link("plc", Link(LinkState.UP, 0.0, now))
        self.scanner._take()
        self.scanner.stop()
        assert self.scanner.latest is not None
        return self.scanner.latest

    def overheat(self) -> AlarmTransition:
        """Take one scan of a hot reboiler and return the coming of its high alarm."""
        return next(step for step in self.scan(reboiler_temperature=490.0).alarms if step.alarm == HIGH)

    async def stored(self) -> None:
        """Return when everything so far is in the journal."""
        event = Event("", "test", self.clock.wall(), "here")
        await self.daemon.writer.committed(
            Outcome("", 0, self.clock.wall(), 0.0, OperatingState.UNKNOWN, {}, {}, (), (event,))
        )

    def client(
        self, *, api: FastAPI | None = None, base: str = NETWORK, address: str = "10.0.0.5"
    ) -> httpx.AsyncClient:
        """A browser or script at an address; it keeps cookies."""
        transport = httpx.ASGITransport(
            api or self.network, raise_app_exceptions=True, client=(address, 5000)
        )
        return httpx.AsyncClient(transport=transport, base_url=base)

    def token(
        self, *scopes: Permission, user: str = "ada-admin", life: float = 3600.0
    ) -> tuple[dict[str, str], Token]:
        """A new token's header and what is kept of it."""
        secret, token = new_token(user, scopes, self.clock.wall(), life)
        self.file.change(lambda accounts: accounts.with_token(token))
        self.authority._refresh(at_once=True)
        return {"authorization": f"Bearer {secret}"}, token


USERS = {
    "vic-viewer": Role.VIEWER,
    "oli-operator": Role.OPERATOR,
    "eve-engineer": Role.ENGINEER,
    "ada-admin": Role.ADMIN,
}


async def log_in(client: httpx.AsyncClient, name: str, password: str = PASSWORD) -> httpx.Response:
    """Log in and let the client send the CSRF token from then on."""
    answer = await client.post("/v1/session", json={"name": name, "password": password})
    if answer.is_success:
        client.headers["x-csrf-token"] = answer.json()["csrf"]
    return answer


@asynccontextmanager
async def web_rig(
    folder: Path, *, users: bool = True, rate: float = 1000.0, **settings: Any
) -> AsyncIterator[Rig]:
    """Build everything on a journal in ``folder``."""
    clock = FakeClock()
    site = site_with(CONTROLLER, SIGNALS, FAST_ALARM)
    unit = site.units[0]
    web = WebSettings(**settings)
    file = AccountsFile(folder / "users.json")
    if users:
        people = tuple(
            User(name=name, role=role, password=password_hash(), changed=clock.wall())
            for name, role in USERS.items()
        )
        file.change(lambda _: Accounts(users=people))
    audited: list[tuple[str, str, dict[str, Any]]] = []

    def audit(kind: str, message: str, **data: Any) -> None:
        audited.append((kind, message, data))

    journal = Journal.open(folder / "journal.sqlite3", now=clock.wall())
    async with JournalWriter.running(journal, clock) as writer:
        board = Board(site, clock)
        monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
        scanner = UnitScanner(unit, monitor, board, writer, clock, pacer_for(site, unit, clock.monotonic()))
        daemon = Daemon(
            site, "1.2.3", folder / "journal.sqlite3", clock, Fleet([scanner]), board, writer, [],
            {"source plc": TaskFigures()}, audit,
        )  # fmt: skip
        parts = WebParts(daemon, web.max_streams)
        authority = Authority(file, web, clock, audit, ("test-site",))
        network = network_api(parts, authority, RequestRate(rate, max(web.request_burst, 1)))
        rig = Rig(clock, daemon, board, scanner, parts, file, authority, web, network, audited)
        try:
            yield rig
        finally:
            parts.close()
            authority.close()
