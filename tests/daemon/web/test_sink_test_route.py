"""Trying a way out with a test message."""

from __future__ import annotations

import dataclasses
from typing import Any

from daemon.sinks.base import DeliveryFailed
from daemon.web.api import WebParts, local_api
from tests.support.web_kit import Rig


class Route:
    """Stands for a sink's runner."""

    def __init__(self, name: str, failure: str = "") -> None:
        self.name, self.failure, self.sent = name, failure, 0

    async def test(self, site: str) -> None:
        if self.failure:
            raise DeliveryFailed(self.failure)
        assert site == "test-site"
        self.sent += 1


def with_sinks(rig: Rig, *sinks: Any) -> WebParts:
    return WebParts(dataclasses.replace(rig.daemon, sinks=list(sinks)))


async def test_a_receiver_that_takes_it_and_one_that_does_not(rig: Rig) -> None:
    good, bad = Route("log"), Route("mail", "550 no such user")
    parts = with_sinks(rig, good, bad)
    async with rig.client(api=local_api(parts)) as client:
        assert (await client.post("/v1/sinks/log/test")).status_code == 200
        refused = await client.post("/v1/sinks/mail/test")
        assert refused.status_code == 502
        assert refused.json()["detail"] == "mail did not take the test message: 550 no such user"
        missing = await client.post("/v1/sinks/fax/test")
        assert missing.status_code == 404
        assert missing.json()["detail"] == "this site has no sink fax; there are: log, mail"
    assert good.sent == 1
    kept = [(kind, data["result"]) for kind, _, data in rig.audited if kind == "route test"]
    assert kept == [("route test", "taken"), ("route test", "550 no such user")]
    parts.close()
