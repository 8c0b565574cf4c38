"""The report as the page gets it: whole, apart from the page's rights, never at the cost of the daemon."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import re

import pytest

from daemon.web import report_service
from daemon.web.access.permissions import Permission
from daemon.web.history_service import Busy
from tests.support import report_stubs
from tests.support.web_kit import Rig

ROUTE = "/v1/units/unit-1/report"


async def test_the_report_comes_whole_and_may_do_nothing_but_look(rig: Rig) -> None:
    for _ in range(30):
        rig.scan()
    await rig.stored()
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        span = f"from={rig.clock.wall() - 60:.0f}&to={rig.clock.wall() + 1:.0f}"
        answer = await client.get(f"{ROUTE}?{span}&save=true", headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-disposition"] == 'attachment; filename="unit-1.html"'
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.text.startswith("<!DOCTYPE html>")
    assert answer.text.rstrip().endswith("</html>")
    assert "<h2>Glycol and reboiler</h2>" in answer.text
    policy = answer.headers["content-security-policy"]
    style = re.search(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert "sandbox" in policy


async def test_where_nothing_is_stored_a_program_and_a_person_are_told(rig: Rig) -> None:
    rig.scan()
    await rig.stored()
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        answer = await client.get(f"{ROUTE}?from=-2h&to=-1h", headers=headers)
        assert answer.status_code == 422
        assert "stored" in answer.json()["detail"]
        page = await client.get(f"{ROUTE}?from=now&to=-2h", headers={**headers, "accept": "text/html"})
        assert page.status_code == 422
        assert "<p>from must be before to.</p>" in page.text
        assert (await client.get(f"{ROUTE}?from=-500d", headers=headers)).status_code == 422


@pytest.fixture
def stub(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(report_service, "PROGRAM", report_stubs.__name__)


async def asked(rig: Rig, count: int) -> None:
    """Return when the stand-in was asked so often."""
    path = rig.daemon.journal.parent / "asked"
    while not path.exists() or len(path.read_text().splitlines()) < count:  # noqa: ASYNC110 - another process writes it
        await asyncio.sleep(0.02)


@pytest.mark.usefixtures("stub")
async def test_one_at_a_time_and_only_a_few_wait(rig: Rig) -> None:
    reports = rig.parts.reports
    first = asyncio.create_task(reports.write("first", 0.0, 1.0, None))
    await asked(rig, 1)
    (rig.daemon.journal.parent / "answer").touch()  # for whoever comes after the first
    waiting = [asyncio.create_task(reports.write("next", 0.0, 1.0, None)) for _ in range(2)]
    await asyncio.sleep(0)
    with pytest.raises(Busy, match="other reports"):
        await reports.write("too many", 0.0, 1.0, None)
    first.cancel()
    await asyncio.wait({first})
    done = await waiting[0]
    assert len(reports._processes) == 1
    pieces = [piece async for piece in done.pieces]
    assert len(pieces) > 1  # piece by piece, not as a whole
    assert b"".join(pieces) == b"page " * 100_000
    await (await waiting[1]).pieces.aclose()  # a client that goes away ends the process too
    assert not reports._processes


@pytest.mark.usefixtures("stub")
async def test_what_takes_too_long_is_given_up(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(report_service, "WRITING_TIME", 0.3)
    with pytest.raises(Busy, match="choose a shorter time"):
        await rig.parts.reports.write("slow", 0.0, 1.0, None)
    assert not rig.parts.reports._processes
    assert rig.parts.reports._asked == 0
