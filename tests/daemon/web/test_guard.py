"""Sizes, rates, headers and failures in front of every route."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from structlog.testing import capture_logs

from daemon.web import guard
from daemon.web.access.permissions import Permission
from daemon.web.access.principal import LocalGate
from daemon.web.access.throttle import RequestRate
from tests.support.clocks import FakeClock
from tests.support.web_kit import PASSWORD, Rig, log_in, web_rig

KIB = 1024


async def test_every_answer_carries_the_headers_that_protect_a_page(rig: Rig) -> None:
    async with rig.client(base="https://tegwatch.example") as client:
        for route in ("/healthz", "/v1/units", "/nothing"):
            headers = (await client.get(route)).headers
            policy = headers["content-security-policy"]
            assert "default-src 'self'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["referrer-policy"] == "no-referrer"
            assert headers["cache-control"] == "no-store"
            # OWASP ASVS 5.0, 3.4.1: at least a year.
            assert (
                int(headers["strict-transport-security"].removeprefix("max-age=").split(";")[0]) >= 31536000
            )


async def test_plain_http_promises_no_tls(rig: Rig) -> None:
    async with rig.client() as client:
        assert "strict-transport-security" not in (await client.get("/healthz")).headers


async def test_pages_that_document_the_api_are_off(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        for route in ("/docs", "/redoc", "/openapi.json"):
            assert (await client.get(route, headers=headers)).status_code == 404
        assert (await client.get("/v1/openapi.json", headers=headers)).status_code == 200


async def test_a_body_above_the_limit_is_refused_by_its_announcement(rig: Rig) -> None:
    async with rig.client() as client:
        answer = await client.post("/v1/session", content=b"x" * (256 * KIB + 1))
        assert answer.status_code == 413
        assert answer.headers["connection"] == "close"
        nonsense = await client.post("/v1/session", content=b"{}", headers={"content-length": "-1"})
        assert nonsense.status_code == 413
        assert (await client.post("/v1/session", content=b"x" * 256 * KIB)).status_code == 422


async def test_a_body_without_announcement_is_read_to_the_limit_and_no_further(rig: Rig) -> None:
    sent = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal sent
        while True:
            sent += 64 * KIB
            yield b"x" * 64 * KIB

    async with rig.client() as client:
        answer = await client.post("/v1/session", content=endless())
    assert answer.status_code == 413
    assert sent <= 6 * 64 * KIB


async def test_nothing_of_a_body_is_read_before_the_caller_may_ask(rig: Rig) -> None:
    async def never() -> AsyncIterator[bytes]:
        raise AssertionError("the body was read")
        yield b""

    async with rig.client() as client:
        assert (await client.post("/v1/users", content=never())).status_code == 401
        await log_in(client, "vic-viewer")
        assert (await client.post("/v1/users", content=never())).status_code == 403


async def test_a_body_that_does_not_come_is_given_up(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_TIME", 0.01)
    forever = guard.asyncio.Event()

    async def stuck() -> AsyncIterator[bytes]:
        await forever.wait()
        yield b""

    async with rig.client() as client:
        assert (await client.post("/v1/session", content=stuck())).status_code == 408


async def test_a_client_that_asks_too_often_waits_and_others_do_not(tmp_path: Path) -> None:
    async with (
        web_rig(tmp_path, rate=2.0, request_burst=3) as rig,
        rig.client(address="10.0.0.1") as fast,
        rig.client(address="10.0.0.2") as other,
    ):
        answers = [(await fast.get("/healthz")).status_code for _ in range(4)]
        assert answers == [200, 200, 200, 429]
        assert (await fast.get("/healthz")).headers["retry-after"] == "1"
        assert (await other.get("/healthz")).status_code == 200
        rig.clock.advance(0.5)
        assert (await fast.get("/healthz")).status_code == 200


async def test_the_rate_belongs_to_the_credential_not_to_the_shared_address(tmp_path: Path) -> None:
    async with web_rig(tmp_path, rate=1.0, request_burst=3) as rig:
        one, _ = rig.token(Permission.VIEW)
        two, _ = rig.token(Permission.VIEW)
        async with rig.client() as client:
            assert [(await client.get("/v1/site", headers=one)).status_code for _ in range(4)] == [
                200
            ] * 3 + [429]
            assert (await client.get("/v1/site", headers=two)).status_code == 200


async def test_a_wrong_request_says_where_and_does_not_repeat_a_password(rig: Rig) -> None:
    async with rig.client() as client:
        extra = await client.post("/v1/session", json={"name": "kim", "password": PASSWORD, "admin": True})
        assert extra.status_code == 422
        assert "body.admin" in extra.json()["detail"]
        typed = await client.post("/v1/session", json={"name": "kim", "password": [PASSWORD]})
        assert typed.status_code == 422
        assert PASSWORD not in typed.text


class _Local(LocalGate):
    pass


async def test_a_defect_is_answered_by_a_number_and_logged_in_full() -> None:
    async def broken(scope: Any, receive: Any, send: Any) -> None:
        raise RuntimeError("secret path /etc/key")

    sent: list[dict[str, Any]] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> dict[str, Any]:
        return {"type": "http.disconnect"}

    app = guard.Guard(
        broken, routes=FastAPI().router.routes, gate=_Local(), rate=RequestRate(1.0, 1), clock=FakeClock(),
        audit=lambda *_, **__: None,
    )  # fmt: skip
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/x",
        "headers": [],
        "client": ("10.0.0.1", 1),
        "scheme": "http",
    }
    with capture_logs() as logs:
        await app(scope, receive, send)
    body = sent[1]["body"].decode()
    assert sent[0]["status"] == 500
    assert "secret" not in body
    assert "RuntimeError" not in body
    assert logs[0]["event"] == "request_failed"
    assert logs[0]["reference"] in body
    assert logs[0]["exc_info"]


@pytest.mark.parametrize(
    "cookie", ["", ";;;=", "tegwatch-session", 'a="\\x', "tegwatch-session=" + "x" * 5000]
)
async def test_any_cookie_header_is_survived(rig: Rig, cookie: str) -> None:
    async with rig.client() as client:
        assert (await client.get("/v1/site", headers={"cookie": cookie})).status_code == 401


async def test_a_browser_that_opens_a_page_without_a_session_is_sent_to_log_in() -> None:
    api = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)

    @api.get("/alarms")
    async def page() -> str:
        return "plant data"

    class Nobody(LocalGate):
        def identify(self, caller: Any) -> None:  # type: ignore[override]  # nobody is anybody here
            return None

    api.add_middleware(
        guard.Guard, routes=api.router.routes, gate=Nobody(), rate=None, clock=FakeClock(),
        audit=lambda *_, **__: None,
    )  # fmt: skip
    async with httpx.AsyncClient(transport=httpx.ASGITransport(api), base_url="http://127.0.0.1") as client:
        page_answer = await client.get("/alarms", headers={"accept": "text/html,*/*"})
        assert (page_answer.status_code, page_answer.headers["location"]) == (303, "/login")
        assert "plant" not in page_answer.text
        assert (await client.get("/alarms")).status_code == 401
