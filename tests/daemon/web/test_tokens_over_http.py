"""Tokens: what they open, until when, and that nothing is kept from which they could be made."""

from __future__ import annotations

import pytest

from daemon.web.access.accounts import LONGEST_TOKEN_LIFE
from daemon.web.access.permissions import SCOPES, Permission
from tests.support.web_kit import HIGH, Rig, log_in


async def test_a_token_opens_its_scopes_and_no_more(rig: Rig) -> None:
    rig.scan()
    headers, _ = rig.token(Permission.METRICS)
    async with rig.client() as client:
        assert (await client.get("/metrics", headers=headers)).status_code == 200
        denied = await client.get("/v1/units", headers=headers)
        assert denied.status_code == 403
        assert "view" in denied.json()["detail"]
        assert (await client.get("/v1/session", headers=headers)).status_code == 403


async def test_a_token_never_does_more_than_its_user(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW, Permission.OPERATE, user="oli-operator")
    raised = rig.overheat()
    route, body = f"/v1/alarms/unit-1/{HIGH}/acknowledge", {"occurrence": raised.occurrence}
    async with rig.client() as client, rig.client() as admin:
        await log_in(admin, "ada-admin")
        await admin.put("/v1/users/oli-operator/role", json={"role": "viewer"})
        assert (await client.post(route, json=body, headers=headers)).status_code == 403
        await admin.put("/v1/users/oli-operator/role", json={"role": "operator"})
        done = await client.post(route, json=body, headers=headers)
        assert done.status_code == 200
        assert done.json()["transitions"][0]["actor"] == "oli-operator"


async def test_a_token_expires_by_the_wall_clock(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW, life=100.0)
    async with rig.client() as client:
        rig.clock.advance(99.0)
        assert (await client.get("/v1/site", headers=headers)).status_code == 200
        rig.clock.advance(1.0)
        assert (await client.get("/v1/site", headers=headers)).status_code == 401


async def test_a_revoked_token_opens_nothing_and_a_new_ones_secret_is_shown_once(rig: Rig) -> None:
    async with rig.client() as admin, rig.client() as script:
        await log_in(admin, "ada-admin")
        made = await admin.post("/v1/tokens", json={"user": "vic-viewer", "scopes": ["view"], "days": 1})
        assert made.status_code == 201
        script.headers["authorization"] = f"Bearer {made.json()['secret']}"
        assert (await script.get("/v1/site")).status_code == 200
        listed = (await admin.get("/v1/tokens")).json()
        assert made.json()["secret"] not in str(listed)
        assert made.json()["secret"] not in rig.file.path.read_text()
        assert (await admin.delete(f"/v1/tokens/{made.json()['id']}")).status_code == 204
        assert (await script.get("/v1/site")).status_code == 401
        assert (await admin.delete("/v1/tokens/none")).status_code == 409


async def test_a_token_beyond_its_users_role_is_not_made(rig: Rig) -> None:
    async with rig.client() as admin:
        await log_in(admin, "ada-admin")
        answer = await admin.post("/v1/tokens", json={"user": "vic-viewer", "scopes": ["operate"]})
    assert answer.status_code == 409
    assert "may not operate" in answer.json()["detail"]


@pytest.mark.parametrize(
    "header", ["Bearer ", "Bearer tegwatch", "Bearer tegwatch_000000000000_x", "Basic dmljOng=", "Bearer é"]
)
async def test_what_is_no_token_opens_nothing(rig: Rig, header: str) -> None:
    async with rig.client() as client:
        answer = await client.get("/v1/site", headers={"authorization": header.encode()})
    assert answer.status_code == 401


async def test_the_secret_of_another_token_with_a_known_id_opens_nothing(rig: Rig) -> None:
    mine, _ = rig.token(Permission.VIEW)
    _, other = rig.token(Permission.VIEW)
    secret = mine["authorization"].rsplit("_", 1)[1]
    async with rig.client() as client:
        forged = {"authorization": f"Bearer tegwatch_{other.id}_{secret}"}
        assert (await client.get("/v1/site", headers=forged)).status_code == 401


def test_a_token_has_256_random_bits_and_ends(rig: Rig) -> None:
    header, token = rig.token(*SCOPES, life=1e12)
    random_part = header["authorization"].split("_", 2)[2]
    assert len(random_part) == 43  # 32 bytes in base64 without padding
    assert token.expires - token.created == LONGEST_TOKEN_LIFE
