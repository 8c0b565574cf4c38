"""Sessions over a restart of the daemon: what was open goes on, what had ended stays ended."""

from __future__ import annotations

import functools
import json
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from daemon.web.access.accounts import Accounts
from daemon.web.access.authority import Authority
from daemon.web.access.permissions import Role
from daemon.web.access.throttle import RequestRate
from daemon.web.api import network_api
from tests.support.web_kit import HIGH, Rig, log_in


def restarted(rig: Rig) -> Authority:
    """What a new process of the daemon knows: the files, and nothing of the old one's memory."""
    return Authority(rig.file, rig.settings, rig.clock, lambda *_, **__: None)


def kept(rig: Rig) -> Path:
    return rig.file.path.with_name("users-sessions.json")


async def after_restart(rig: Rig, client: httpx.AsyncClient) -> int:
    """Restart, and ask with the cookie that the browser has."""
    rig.authority._keeper._writing.submit(int).result()  # what was on its way to the disk arrives
    authority = restarted(rig)
    api = network_api(rig.parts, authority, RequestRate(1000.0, 1000))
    async with rig.client(api=api) as again:
        again.cookies = client.cookies
        answer = await again.get("/v1/session")
    authority.close()
    return answer.status_code


@pytest.fixture
async def operator(rig: Rig) -> AsyncIterator[httpx.AsyncClient]:
    async with rig.client() as client:
        assert (await log_in(client, "oli-operator")).status_code == 201
        yield client


async def test_a_page_goes_on_after_a_restart_and_can_act(rig: Rig, operator: httpx.AsyncClient) -> None:
    raised = rig.overheat()
    authority = restarted(rig)
    api = network_api(rig.parts, authority, RequestRate(1000.0, 1000))
    async with rig.client(api=api) as again:
        again.cookies = operator.cookies
        again.headers["x-csrf-token"] = operator.headers["x-csrf-token"]  # the page still has it
        route = f"/v1/alarms/unit-1/{HIGH}/acknowledge"
        assert (await again.post(route, json={"occurrence": raised.occurrence})).status_code == 200
        again.headers["x-csrf-token"] = "0" * 64
        assert (await again.post(route, json={"occurrence": raised.occurrence})).status_code == 403
    authority.close()


async def test_what_lies_on_the_disk_opens_nothing(rig: Rig, operator: httpx.AsyncClient) -> None:
    text = kept(rig).read_text()
    assert kept(rig).stat().st_mode & 0o077 == 0
    assert operator.cookies["tegwatch-session"] not in text
    assert operator.headers["x-csrf-token"] not in text
    (session,) = json.loads(text)["sessions"]
    async with rig.client() as thief:
        thief.cookies.set("tegwatch-session", session["digest"])
        assert (await thief.get("/v1/session")).status_code == 401


async def test_who_logged_out_stays_out(rig: Rig, operator: httpx.AsyncClient) -> None:
    before = httpx.Cookies(operator.cookies)
    assert await after_restart(rig, operator) == 200
    assert (await operator.delete("/v1/session")).status_code == 204
    operator.cookies = before
    assert await after_restart(rig, operator) == 401


@pytest.mark.parametrize("change", ["role", "password", "gone"])
async def test_a_user_who_was_changed_while_the_daemon_was_down_logs_in_again(
    rig: Rig, operator: httpx.AsyncClient, change: str
) -> None:
    user = rig.file.read().known("oli-operator")
    if change == "gone":
        rig.file.change(lambda accounts: accounts.without_user(user.name))
    else:
        update = {"role": Role.VIEWER} if change == "role" else {"password": "x", "changed": user.changed + 1}
        rig.file.change(lambda accounts: accounts.changed(user.model_copy(update=update)))
    assert await after_restart(rig, operator) == 401


async def test_a_role_that_was_changed_and_changed_back_has_ended_the_session(
    rig: Rig, operator: httpx.AsyncClient
) -> None:
    user = rig.file.read().known("oli-operator")
    for role in (Role.VIEWER, Role.OPERATOR):
        changed = user.model_copy(update={"role": role})
        rig.file.change(functools.partial(Accounts.changed, user=changed))
        rig.authority._refresh(at_once=True)
    assert await after_restart(rig, operator) == 401


@pytest.mark.parametrize(("away", "status"), [(880.0, 200), (910.0, 401)])
async def test_time_without_the_daemon_is_time_without_anybody(
    rig: Rig, operator: httpx.AsyncClient, away: float, status: int
) -> None:
    rig.clock.advance(away)
    assert await after_restart(rig, operator) == status


async def test_no_restart_prolongs_a_session_beyond_its_absolute_time(
    rig: Rig, operator: httpx.AsyncClient
) -> None:
    for _ in range(53):
        rig.clock.advance(800.0)
        assert (await operator.get("/v1/session")).status_code == 200
    assert await after_restart(rig, operator) == 200  # 11 h 47 min
    rig.clock.advance(801.0)
    assert await after_restart(rig, operator) == 401


async def test_after_a_clock_that_was_set_back_no_age_can_be_told(
    rig: Rig, operator: httpx.AsyncClient
) -> None:
    rig.clock.wall_time -= 3600.0
    assert await after_restart(rig, operator) == 401


@pytest.mark.parametrize("text", ["", "{}x", '{"version": 2}', '{"sessions": [{"user": "x"}]}'])
async def test_a_damaged_file_means_that_everybody_logs_in_again_and_is_told(rig: Rig, text: str) -> None:
    kept(rig).write_text(text)
    kept(rig).chmod(0o600)
    told: list[str] = []
    Authority(rig.file, rig.settings, rig.clock, lambda kind, *_, **__: told.append(kind)).close()
    assert told == ["sessions not restored"]


async def test_where_it_cannot_be_written_nothing_old_is_left(
    rig: Rig, operator: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("daemon.web.access.kept_sessions.replace_private", full)
    assert kept(rig).exists()
    assert (await operator.delete("/v1/session")).status_code == 204
    assert not kept(rig).exists()
