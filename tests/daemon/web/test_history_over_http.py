"""Questions to the past over HTTP: formats, spans, trends, and that a slow or gone client costs nothing."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from pathlib import Path

import pytest

from daemon.journal.errors import JournalError
from daemon.web import history_service
from daemon.web.access.permissions import Permission
from daemon.web.history_service import Busy, HistoryService
from daemon.web.routes import history as history_routes
from tests.support.web_kit import HIGH, Rig

START = 1_700_000_000.0
ROUTE = "/v1/units/unit-1"


async def filled(rig: Rig, scans: int = 30) -> dict[str, str]:
    """Some scans, one excursion among them; returns a header that may ask for them."""
    headers, _ = rig.token(Permission.VIEW, life=1e6)
    for number in range(scans):
        hot = {"reboiler_temperature": 490.0} if number == 17 else {}
        rig.scan(contactor_pressure=None if number == 5 else 6.3e6, **hot)
    await rig.stored()
    rig.clock.advance(0.5)  # "now" itself is not included
    return headers


async def test_lines_of_json_hold_value_unit_and_quality(rig: Rig) -> None:
    headers = await filled(rig)
    async with rig.client(address="10.0.0.9") as client:
        answer = await client.get(
            f"{ROUTE}/history",
            params={"name": ["reboiler_temperature", "contactor_pressure"]},
            headers=headers,
        )
    assert answer.headers["content-type"].startswith("application/jsonl")
    rows = [json.loads(line) for line in answer.text.splitlines()]
    assert len(rows) == 30
    hot = rows[17]["values"]["signal:reboiler_temperature"]
    # (490 - 273.15) * 1.8 + 32 = 422.33 degF by arithmetic.
    assert hot == {"value": pytest.approx(422.33), "quality": "good", "unit": "°F"}
    lost = rows[5]["values"]["signal:contactor_pressure"]
    assert (lost["value"], lost["quality"]) == (None, "bad")


async def test_csv_statistics_and_posix_times(rig: Rig) -> None:
    headers = await filled(rig)
    asked = {"name": "reboiler_temperature", "from": START, "to": START + 21, "every": "10s", "format": "csv"}
    async with rig.client() as client:
        answer = await client.get(f"{ROUTE}/history", params=asked, headers=headers)
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["scans"] for row in rows] == ["9", "10", "1"]  # the first scan came a second after the start
    assert float(rows[1]["reboiler_temperature maximum [°F]"]) == pytest.approx(422.33)
    assert float(rows[1]["reboiler_temperature minimum [°F]"]) == pytest.approx(374.99)


async def test_a_trend_keeps_the_excursion_however_coarse_it_is(rig: Rig) -> None:
    headers = await filled(rig)
    for points in (2, 7, 30, 600):
        asked = {"name": ["reboiler_temperature", "dew_point_margin"], "from": START, "to": START + 31}
        async with rig.client() as client:
            shown = (
                await client.get(f"{ROUTE}/trend", params=asked | {"points": points}, headers=headers)
            ).json()
        series = {one["name"]: one for one in shown["series"]}
        hot = series["reboiler_temperature"]
        assert len(shown["time"]) <= points
        assert all(len(hot[key]) == len(shown["time"]) for key in ("value", "minimum", "maximum", "quality"))
        assert max(value for value in hot["maximum"] if value is not None) == pytest.approx(422.33)
        assert any(value for value in series["dew_point_margin"]["uncertainty"] if value)
        assert shown["time"] == sorted(shown["time"])


async def test_a_trend_of_many_scans_comes_from_statistics_and_keeps_extremes_too(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    headers = await filled(rig, 60)
    monkeypatch.setattr("daemon.web.trends.EXACT_ROWS", 10)
    asked = {"name": "reboiler_temperature", "from": START, "to": START + 61, "points": 12}
    async with rig.client() as client:
        shown = (await client.get(f"{ROUTE}/trend", params=asked, headers=headers)).json()
    (hot,) = shown["series"]
    assert max(hot["maximum"]) == pytest.approx(422.33)
    assert min(hot["minimum"]) == pytest.approx(374.99)
    assert hot["uncertainty"] is None


async def test_records_tell_alarms_and_who_acted(rig: Rig) -> None:
    headers = await filled(rig)
    async with rig.client() as client:
        answer = await client.get("/v1/records", params={"alarm": HIGH}, headers=headers)
        none = await client.get(
            "/v1/records", params={"unit": "unit-1", "kind": "event", "to": "-2h"}, headers=headers
        )
    steps = [json.loads(line) for line in answer.text.splitlines()]
    assert [step["change"].split(" (")[0] for step in steps] == ["NORM -> UNACK", "UNACK -> RTNUN"]
    assert none.text == ""


async def test_series_lists_what_there_is(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        assert (await client.get(f"{ROUTE}/series", headers=headers)).json() == []
        await filled(rig, 3)
        listed = (await client.get(f"{ROUTE}/series", headers=headers)).json()
    names = {(one["kind"], one["name"]) for one in listed}
    assert ("signal", "reboiler_temperature") in names
    assert ("result", "dew_point_margin") in names
    assert listed[0]["first"] == "2023-11-14T22:13:21.000Z"


@pytest.mark.parametrize(
    ("route", "asked", "why"),
    [
        ("history", {"name": "no_such"}, "there are:"),
        ("history", {"from": "yesterday"}, "is no time"),
        ("history", {"from": "1e400"}, "is no time"),
        ("history", {"from": "nan"}, "is no time"),
        ("history", {"from": "now", "to": "-1h"}, "before"),
        ("history", {"from": "-500d"}, "400 days"),
        ("history", {"every": "0s"}, "duration"),
        ("history", {"format": "xml"}, "format"),
        ("trend", {}, "name"),
        ("trend", {"name": "reboiler_temperature", "points": 1}, "points"),
        ("trend", {"name": "reboiler_temperature", "points": 10**9}, "points"),
    ],
)
async def test_a_wrong_question_is_422_and_says_why(
    rig: Rig, route: str, asked: dict[str, str], why: str
) -> None:
    headers = await filled(rig, 2)
    async with rig.client() as client:
        answer = await client.get(f"{ROUTE}/{route}", params=asked, headers=headers)
    assert answer.status_code == 422, answer.text
    assert why in answer.json()["detail"]


async def test_more_rows_than_allowed_are_refused_before_the_first(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    headers = await filled(rig, 12)
    monkeypatch.setattr(history_routes, "MOST_ROWS", 10)
    async with rig.client() as client:
        answer = await client.get(f"{ROUTE}/history", headers=headers)
    assert answer.status_code == 422
    assert "shorter span" in answer.json()["detail"]


async def test_a_journal_that_cannot_be_read_is_503(rig: Rig, tmp_path: Path) -> None:
    broken = HistoryService(tmp_path / "nothing.sqlite3")
    with pytest.raises(JournalError):
        await broken.ask(lambda stored: stored.units())
    broken.close()


async def test_too_many_questions_are_told_to_come_again(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    await filled(rig, 1)
    monkeypatch.setattr(history_service, "WAITING", 0)
    with pytest.raises(Busy):
        await rig.parts.history.ask(lambda stored: stored.units())


async def test_a_client_that_goes_away_frees_its_thread(rig: Rig) -> None:
    await filled(rig, 1)
    history = rig.parts.history
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    written = 0

    def endless(out: io.TextIOBase) -> None:
        nonlocal written
        try:
            while True:
                written += out.write("x" * history_service.PIECE)
        finally:
            loop.call_soon_threadsafe(ended.set)

    pieces = await history.stream(lambda _: endless)
    assert len(await anext(pieces)) == history_service.PIECE
    await pieces.aclose()
    async with asyncio.timeout(10):
        await ended.wait()
    assert written <= (history_service.PIECES + 4) * history_service.PIECE  # it waited for the client


async def test_a_failure_in_the_middle_breaks_the_answer_off(rig: Rig) -> None:
    await filled(rig, 1)

    def failing(out: io.TextIOBase) -> None:
        out.write("x" * history_service.PIECE)
        raise JournalError("the disk is gone")

    pieces = await rig.parts.history.stream(lambda _: failing)
    assert await anext(pieces)
    with pytest.raises(JournalError, match="gone"):
        await anext(pieces)
