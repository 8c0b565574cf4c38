"""The whole OpenAPI document against the served application, with every role and invented requests.

An outside judge (schemathesis) makes requests from the document, right ones and wrong ones, and holds every
answer to it: no server error, no undocumented status, no body beside its schema.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis

# Now, not at first use beside the daemon's thread: two threads that compile at once can fail in CPython 3.11
# ("AST constructor recursion depth mismatch", gh-106905).
import schemathesis.specs.openapi.schemas
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from config.web import WebSettings
from daemon.web import report_service
from daemon.web.access.permissions import ROLE_PERMISSIONS, SCOPES, Role
from daemon.web.connection import Connections
from daemon.web.server import Listener, bind_tcp_socket
from tests.support import report_stubs
from tests.support.brokers import free_port
from tests.support.web_kit import HIGH, USERS, Rig, web_rig

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
)
CREDENTIALS = {"authorization", "cookie"}
THERE = {
    "unit": "unit-1", "alarm": HIGH, "name": "reboiler_temperature", "from": "-1h", "to": "now",
    "zone": "UTC", "every": "10s",
}  # fmt: skip
ENDLESS = {"/v1/stream"}
"""Answers that do not end; tests/daemon/web/test_broadcast.py reads them."""


class Served:
    """A web layer with an alarm standing, served on a loopback port by an event loop of its own."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.tokens: dict[Role, str] = {}
        self._folder = folder
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._thread = threading.Thread(target=self._run)

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> Served:
        self._thread.start()
        assert self._ready.wait(30)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(30)
        self._loop.close()

    def _run(self) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._serve())

    async def _serve(self) -> None:
        async with web_rig(self._folder, request_burst=10**9) as rig:
            rig.scan()
            rig.scan(reboiler_temperature=490.0)
            await rig.stored()
            self._make_tokens(rig)
            settings = WebSettings(port=self.port)
            listener = Listener(rig.network, lambda: bind_tcp_socket(settings), Connections(100))
            listener.bind()
            serving = asyncio.create_task(listener.run())
            self._ready.set()
            await self._stop.wait()
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)

    def _make_tokens(self, rig: Rig) -> None:
        for name, role in USERS.items():
            scopes = [scope for scope in SCOPES if scope in ROLE_PERMISSIONS[role]]
            header, _ = rig.token(*scopes, user=name, life=1e6)
            self.tokens[role] = header["authorization"]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("contract")
    (folder / "answer").touch()
    with pytest.MonkeyPatch.context() as patch, Served(folder) as running:
        # Reports come at once: what the real program writes is looked at in test_report_over_http.py.
        patch.setattr(report_service, "PROGRAM", report_stubs.__name__)
        yield running


@pytest.mark.parametrize("role", [*Role, None])
def test_every_answer_is_as_documented(served: Served, role: Role | None) -> None:
    document_header = {"authorization": served.tokens[Role.ADMIN]}
    own = {"authorization": served.tokens[role]} if role else {}
    schema = schemathesis.openapi.from_url(f"{served.base}/v1/openapi.json", headers=document_header)
    statuses: dict[str, set[int]] = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in ENDLESS:
            continue
        label = f"{operation.method.upper()} {operation.path}"

        @settings(
            max_examples=12, deadline=None, derandomize=True, database=None,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=operation.as_strategy(), real=st.booleans())
        def ask(case: schemathesis.Case, real: bool) -> None:
            if real:  # what is there, which no guess would meet
                places = case.path_parameters or {}
                case.path_parameters = {name: THERE.get(name, text) for name, text in places.items()}
                asked = case.query or {}
                case.query = {name: THERE.get(name, text) for name, text in asked.items()}
            given_headers = case.headers or {}
            kept = {key: text for key, text in given_headers.items() if key.lower() not in CREDENTIALS}
            case.headers = kept | own
            case.cookies = {}
            answer = case.call()
            statuses.setdefault(label, set()).add(answer.status_code)  # noqa: B023 - called at once
            case.validate_response(answer, checks=CHECKS)

        ask()
    assert len(statuses) > 25
    answered = {label for label, seen in statuses.items() if seen & {200, 201, 204}}
    refused = {label for label, seen in statuses.items() if 403 in seen}
    if role is None:
        assert answered == {"GET /healthz"}
    else:
        reading = {
            "GET /v1/units",
            "GET /v1/alarms",
            "GET /v1/records",
            "GET /v1/units/{unit}/history",
            "GET /v1/units/{unit}",
        }
        assert answered > reading
        assert ("POST /v1/users" in refused) == (role is not Role.ADMIN)
