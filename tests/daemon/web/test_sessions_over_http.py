"""Log-in, cookies, expiry, forged requests; time moves by hand."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from daemon.web.access.permissions import Role
from tests.support.web_kit import HIGH, NETWORK, PASSWORD, Rig, log_in, web_rig

NEW_PASSWORD = "seven copper herons past midnight"


def cookie(answer: httpx.Response) -> dict[str, str]:
    """Attributes of the session cookie as the browser is told them."""
    parts = answer.headers["set-cookie"].split("; ")
    name, _, value = parts[0].partition("=")
    return {"name": name, "value": value} | {
        key.lower(): value for key, _, value in (part.partition("=") for part in parts[1:])
    }


async def test_the_cookie_over_tls_is_bound_to_the_host(rig: Rig) -> None:
    async with rig.client(base="https://tegwatch.example") as client:
        sent = cookie(await log_in(client, "vic-viewer"))
    assert sent["name"] == "__Host-tegwatch"
    assert {"secure", "httponly"} <= sent.keys()
    assert sent["samesite"].lower() == "strict"
    assert sent["path"] == "/"
    assert "domain" not in sent
    assert "max-age" not in sent  # it goes with the browser


async def test_over_plain_loopback_it_has_another_name_and_a_tls_cookie_does_not_count(rig: Rig) -> None:
    async with rig.client() as client:
        answer = await log_in(client, "vic-viewer")
        sent = cookie(answer)
        assert sent["name"] == "tegwatch-session"
        assert "secure" not in sent
        assert "httponly" in sent
    async with rig.client() as other:
        other.cookies.set("__Host-tegwatch", sent["value"])
        assert (await other.get("/v1/session")).status_code == 401


async def test_what_the_browser_holds_before_does_not_become_a_session(rig: Rig) -> None:
    """Session fixation: a planted name is never adopted, and every log-in has a new one."""
    async with rig.client() as client:
        client.cookies.set("tegwatch-session", "planted")
        first = cookie(await log_in(client, "vic-viewer"))["value"]
        second = cookie(await log_in(client, "vic-viewer"))["value"]
    assert len({"planted", first, second}) == 3
    assert len(first) >= 22  # 128 bits in base64 at least
    async with rig.client() as thief:
        thief.cookies.set("tegwatch-session", "planted")
        assert (await thief.get("/v1/session")).status_code == 401


async def test_a_session_ends_when_nobody_does_anything(rig: Rig) -> None:
    async with rig.client() as client:
        await log_in(client, "vic-viewer")
        rig.clock.advance(890.0)
        assert (await client.get("/v1/session")).status_code == 200
        rig.clock.advance(890.0)
        # A page that asks by itself does not keep an unattended session alive.
        assert (await client.get("/v1/session", headers={"x-background": "1"})).status_code == 200
        rig.clock.advance(20.0)
        assert (await client.get("/v1/session")).status_code == 401


async def test_a_session_ends_after_its_absolute_time_whatever_happens(rig: Rig) -> None:
    async with rig.client() as client:
        await log_in(client, "vic-viewer")
        for _ in range(54):  # 12 h in steps of 800 s
            assert (await client.get("/v1/session")).status_code == 200
            rig.clock.advance(800.0)
        assert (await client.get("/v1/session")).status_code == 401


async def test_a_wall_display_may_look_on_but_not_act(tmp_path: Path) -> None:
    async with web_rig(tmp_path, view_after_idle=True) as rig, rig.client() as client:
        raised = rig.overheat()
        await log_in(client, "oli-operator")
        rig.clock.advance(1000.0)
        who = (await client.get("/v1/session")).json()
        assert who["locked"]
        assert "operate" not in who["permissions"]
        assert (await client.get("/v1/units")).status_code == 200
        route = f"/v1/alarms/unit-1/{HIGH}/acknowledge"
        body = {"occurrence": raised.occurrence}
        assert (await client.post(route, json=body)).status_code == 403
        await log_in(client, "oli-operator")
        assert (await client.post(route, json=body)).status_code == 200


async def test_log_out_ends_the_session_on_the_daemons_side(rig: Rig) -> None:
    async with rig.client() as client:
        kept = cookie(await log_in(client, "vic-viewer"))["value"]
        assert (await client.delete("/v1/session")).status_code == 204
    async with rig.client() as thief:
        thief.cookies.set("tegwatch-session", kept)
        assert (await thief.get("/v1/session")).status_code == 401
    assert [kind for kind, _, _ in rig.audited][-2:] == ["login", "logout"]


@pytest.mark.parametrize(
    ("headers", "reason"),
    [
        ({"x-csrf-token": ""}, "x-csrf-token"),
        ({"x-csrf-token": "guessed"}, "x-csrf-token"),
        ({"origin": "https://evil.example"}, "own page"),
        ({"origin": "null"}, "own page"),
        ({"origin": "http://127.0.0.1:9999"}, "own page"),
        ({"sec-fetch-site": "cross-site"}, "own page"),
        ({"sec-fetch-site": "same-site"}, "own page"),
        ({"sec-fetch-site": "none"}, "own page"),
    ],
)
async def test_another_sites_page_cannot_act(rig: Rig, headers: dict[str, str], reason: str) -> None:
    raised = rig.overheat()
    async with rig.client() as client:
        await log_in(client, "oli-operator")
        route, body = f"/v1/alarms/unit-1/{HIGH}/acknowledge", {"occurrence": raised.occurrence}
        forged = await client.post(route, json=body, headers=headers)
        assert forged.status_code == 403
        assert reason in forged.json()["detail"]
        own = {"origin": NETWORK, "sec-fetch-site": "same-origin"}
        assert (await client.post(route, json=body, headers=own)).status_code == 200


async def test_another_sites_page_cannot_log_a_browser_in(rig: Rig) -> None:
    async with rig.client() as client:
        answer = await client.post(
            "/v1/session",
            json={"name": "vic-viewer", "password": PASSWORD},
            headers={"origin": "https://evil.example"},
        )
    assert answer.status_code == 403


async def test_wrong_names_and_wrong_passwords_look_the_same(rig: Rig) -> None:
    async with rig.client() as client:
        wrong = await log_in(client, "vic-viewer", "no such password here")
        nobody = await log_in(client, "no-such-user", "no such password here")
    assert (wrong.status_code, wrong.json()) == (nobody.status_code, nobody.json()) == (401, wrong.json())
    assert [kind for kind, _, _ in rig.audited] == ["login failed", "login failed"]


async def test_failures_delay_that_account_from_that_address_only(rig: Rig) -> None:
    async with rig.client(address="10.0.0.66") as attacker, rig.client(address="10.0.0.7") as owner:
        for _ in range(5):
            assert (await log_in(attacker, "vic-viewer", "wrong wrong wrong")).status_code == 401
        waiting = await log_in(attacker, "vic-viewer")  # even the right one must wait now
        assert waiting.status_code == 429
        assert int(waiting.headers["retry-after"]) >= 1
        assert (await log_in(owner, "vic-viewer")).status_code == 201
        rig.clock.advance(1.1)
        assert (await log_in(attacker, "vic-viewer", "wrong wrong wrong")).status_code == 401
        rig.clock.advance(1.1)
        assert (await log_in(attacker, "vic-viewer")).status_code == 429  # twice as long now
        rig.clock.advance(1.0)
        assert (await log_in(attacker, "vic-viewer")).status_code == 201


async def test_a_new_password_ends_all_ones_sessions(rig: Rig) -> None:
    async with rig.client() as here, rig.client() as there:
        await log_in(here, "vic-viewer")
        await log_in(there, "vic-viewer")
        wrong = await here.put("/v1/session/password", json={"old": "x" * 20, "new": NEW_PASSWORD})
        assert wrong.status_code == 401
        easy = await here.put("/v1/session/password", json={"old": PASSWORD, "new": "passwordpassword1"})
        assert easy.status_code == 409
        done = await here.put("/v1/session/password", json={"old": PASSWORD, "new": NEW_PASSWORD})
        assert done.status_code == 204
        assert (await there.get("/v1/session")).status_code == 401
        assert (await log_in(there, "vic-viewer")).status_code == 401
        assert (await log_in(there, "vic-viewer", NEW_PASSWORD)).status_code == 201


async def test_another_role_counts_at_once_and_removal_ends_everything(rig: Rig) -> None:
    async with rig.client() as admin, rig.client() as other:
        await log_in(admin, "ada-admin")
        await log_in(other, "oli-operator")
        made = await admin.put("/v1/users/oli-operator/role", json={"role": "engineer"})
        assert made.status_code == 204
        assert (await other.get("/v1/session")).status_code == 401
        await log_in(other, "oli-operator")
        assert (await other.get("/v1/configuration")).status_code == 200
        assert (await admin.delete("/v1/users/oli-operator")).status_code == 204
        assert (await other.get("/v1/session")).status_code == 401
        last = await admin.put("/v1/users/ada-admin/role", json={"role": "viewer"})
        assert last.status_code == 409
        assert "nobody could administer" in last.json()["detail"]
    assert "user oli-operator removed" in [message for _, message, _ in rig.audited]


async def test_a_command_beside_the_daemon_counts_within_a_second(rig: Rig) -> None:
    async with rig.client() as client:
        await log_in(client, "vic-viewer")
        rig.file.change(lambda accounts: accounts.without_user("vic-viewer"))
        rig.clock.advance(1.0)
        assert (await client.get("/v1/session")).status_code == 401
    assert ("users changed", "user vic-viewer removed", {"user": "vic-viewer"}) in rig.audited


async def test_the_first_user_needs_the_secret_once(tmp_path: Path) -> None:
    async with web_rig(tmp_path, users=False) as rig, rig.client() as client:
        secret = rig.authority.first_run_secret()
        assert secret is not None
        body = {"secret": secret, "name": "ada", "password": PASSWORD}
        assert (await client.post("/v1/first-user", json=body | {"secret": "guessed"})).status_code == 401
        easy = await client.post("/v1/first-user", json=body | {"password": "tegwatchtegwatch"})
        assert easy.status_code == 409
        assert (await client.post("/v1/first-user", json=body)).status_code == 204
        again = await client.post("/v1/first-user", json=body | {"name": "eve"})
        assert again.status_code == 401
        assert (await log_in(client, "ada")).status_code == 201
        assert rig.authority.accounts.known("ada").role is Role.ADMIN
        assert rig.authority.first_run_secret() is None


async def test_the_first_run_secret_ends_after_an_hour(tmp_path: Path) -> None:
    async with web_rig(tmp_path, users=False) as rig, rig.client() as client:
        secret = rig.authority.first_run_secret()
        rig.clock.advance(3601.0)
        body = {"secret": secret, "name": "ada", "password": PASSWORD}
        assert (await client.post("/v1/first-user", json=body)).status_code == 401


async def test_a_users_file_that_others_may_read_lets_nobody_in_and_says_so(rig: Rig) -> None:
    async with rig.client() as client:
        await log_in(client, "vic-viewer")
        rig.file.path.chmod(0o644)
        rig.clock.advance(1.0)
        assert (await client.get("/v1/session")).status_code == 401
        assert "chmod 600" in rig.authority.problem
        rig.file.path.chmod(0o600)
        rig.clock.advance(1.0)
        assert (await client.get("/v1/session")).status_code == 200


async def test_guessing_does_not_fill_the_journal(rig: Rig) -> None:
    async with rig.client() as client:
        for number in range(80):
            await log_in(client, f"user{number}", "wrong wrong wrong")
        rig.clock.advance(10.0)
        await log_in(client, "one-more", "wrong wrong wrong")
    kept = [data for kind, _, data in rig.audited if kind == "login failed"]
    assert len(kept) == 51
    assert sum(data["others_before"] for data in kept) == 30  # none is lost from the count
