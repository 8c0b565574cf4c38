"""Every route against every role, walked over the application's own route list."""

from __future__ import annotations

from itertools import pairwise

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute

from daemon.web.access.permissions import ROLE_PERMISSIONS, ROUTE_PERMISSIONS, Permission, Role
from daemon.web.guard import check_routes
from tests.support.web_kit import USERS, Rig, log_in

OPEN = {("GET", "/healthz"), ("POST", "/v1/session"), ("POST", "/v1/first-user")}
"""The only routes of the API that need no credential beside the one in their own body."""


def routes(rig: Rig) -> list[tuple[str, str]]:
    """Method and path of every route but the two that never end or log the caller out."""
    found = [
        (method, route.path)
        for route in rig.network.router.routes
        for method in sorted((getattr(route, "methods", None) or set()) - {"HEAD"})
    ]
    assert len(found) > 30
    return found


def filled(path: str) -> str:
    return (
        path.replace("{unit}", "unit-1")
        .replace("{alarm}", "none")
        .replace("{name}", "x")
        .replace("{token}", "x")
    )


def test_the_table_has_every_route_and_no_dead_entry(rig: Rig) -> None:
    pages = {
        entry
        for entry in ROUTE_PERMISSIONS
        if not entry[1].startswith(("/v1/", "/metrics", "/healthz", "/readyz"))
    }
    assert set(routes(rig)) >= set(ROUTE_PERMISSIONS) - pages
    check_routes(rig.network.router.routes)


def test_an_application_with_a_route_that_nobody_thought_of_is_not_built() -> None:
    api = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)

    @api.get("/v1/surprise")
    async def surprise() -> str:
        return "here"

    with pytest.raises(LookupError, match="/v1/surprise"):
        check_routes(api.router.routes)


async def test_without_a_credential_every_route_but_the_open_ones_says_401(rig: Rig) -> None:
    rig.scan()
    async with rig.client() as client:
        for method, path in routes(rig):
            answer = await client.request(method, filled(path), json={} if method != "GET" else None)
            if (method, path) in OPEN:
                assert answer.status_code in {200, 401, 422}, (method, path, answer.text)
            else:
                assert answer.status_code == 401, (method, path, answer.text)
                assert answer.headers["www-authenticate"] == "Bearer"
        unknown = await client.get("/v1/does-not-exist")
        assert unknown.status_code == 401  # nor does it say what there is


@pytest.mark.parametrize("role", list(Role))
async def test_a_role_reaches_its_own_routes_and_no_other(rig: Rig, role: Role) -> None:
    rig.scan()
    name = next(user for user, has in USERS.items() if has is role)
    allowed = ROLE_PERMISSIONS[role]
    async with rig.client() as client:
        assert (await log_in(client, name)).status_code == 201
        refused = reached = 0
        for method, path in routes(rig):
            if (method, path) in {("GET", "/v1/stream"), ("DELETE", "/v1/session")}:
                continue
            answer = await client.request(method, filled(path), json={} if method != "GET" else None)
            if ROUTE_PERMISSIONS[method, path] in allowed:
                assert answer.status_code not in {401, 403, 500}, (method, path, answer.text)
                reached += 1
            else:
                assert answer.status_code == 403, (method, path, answer.text)
                assert ROUTE_PERMISSIONS[method, path].value in answer.json()["detail"]
                refused += 1
        assert reached > 10
        assert (refused == 0) == (role is Role.ADMIN)
    denied = [data for kind, _, data in rig.audited if kind == "denied"]
    assert len(denied) == refused
    assert all(one["actor"] == name and one["address"] == "10.0.0.5" for one in denied)


async def test_an_unknown_route_or_method_is_404_or_405_for_who_may_ask(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        assert (await client.get("/v1/nothing", headers=headers)).status_code == 404
        assert (await client.delete("/v1/units", headers=headers)).status_code == 405


async def test_every_role_can_do_what_the_one_below_can() -> None:
    ladder = [ROLE_PERMISSIONS[role] for role in Role]
    assert all(lower < higher for lower, higher in pairwise(ladder))


async def test_the_unix_socket_needs_no_credential_and_has_no_log_in(rig: Rig) -> None:
    rig.scan()
    async with rig.client(api=rig.local) as client:
        assert (await client.get("/v1/units")).status_code == 200
        who = (await client.get("/v1/session")).json()
        assert who["via"] == "unix socket"
        assert who["csrf"] is None
        assert (await client.post("/v1/session", json={})).status_code == 405


def test_no_route_of_the_api_leads_to_a_source(rig: Rig) -> None:
    """What the routes stand on has no source among it, so none can reach a controller."""
    fields = set(type(rig.daemon).__dataclass_fields__)
    assert fields == {
        "site", "version", "journal", "clock", "fleet", "board", "writer", "sinks", "tasks", "audit",
        "reload", "own", "storage",
    }  # fmt: skip
    assert all(
        isinstance(route, APIRoute) or route.path == "/v1/openapi.json" for route in rig.network.router.routes
    )
