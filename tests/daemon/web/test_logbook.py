"""Lab samples and maintenance work: kept durably, refused with a reason, shown in the history."""

from __future__ import annotations

from datetime import UTC

import pytest

from daemon.journal.queries import History
from daemon.logbook import EntryRefused, maintenance_event, sample_event
from daemon.model import EntryKind
from daemon.times import parse_time
from daemon.web.access.permissions import Permission
from tests.support.web_kit import Rig

NOW = 1_700_000_000.0
NOT_USED = (
    "the sample with 1.20 wt% of water is not used: the unit was not seen regenerating steadily in the "
    "two hours before its drawing, so there is nothing to compare it with"
)


async def entered(rig: Rig, route: str, body: dict, **headers: str):
    async with rig.client(api=rig.local) as client:
        return await client.post(f"/v1/units/{route}", json=body, headers=headers)


def events(rig: Rig) -> list:
    with History(rig.daemon.journal) as history:
        kinds = {EntryKind.EVENT}
        found = [entry.body for entry in history.records(0.0, 1e11, kinds=kinds, unit="unit-1")]
        return [event for event in found if event.kind in {"lab sample", "maintenance"}]


async def test_a_sample_is_kept_with_its_values_in_si_and_who_entered_it(rig: Rig) -> None:
    rig.scan()
    taken = rig.clock.wall() - 7200.0
    body = {
        "lean_water": 0.012,
        "ph": 7.3,
        "chlorides": 350e-6,
        "taken": taken,
        "actor": "maria",
        "note": "A",
    }
    answer = await entered(rig, "unit-1/samples", body)
    assert answer.status_code == 200, answer.text
    assert answer.json() == {
        "kept": "lab sample: lean 1.2 wt% water, pH 7.3, chlorides 350 mg/kg; A",
        "effects": [NOT_USED],
    }
    (event,) = events(rig)
    assert event.data == {
        "lean_water": 0.012, "ph": 7.3, "chlorides": 350e-6, "taken": taken, "actor": "maria", "note": "A",
    }  # fmt: skip
    assert event.time == rig.clock.wall()


async def test_maintenance_is_kept(rig: Rig) -> None:
    rig.scan()
    answer = await entered(
        rig, "unit-1/maintenance", {"work": "pump swap", "note": "to pump B", "actor": "jo"}
    )
    assert answer.json() == {"kept": "pump swap; to pump B", "effects": []}
    (event,) = events(rig)
    assert (event.kind, event.data["work"], event.data["actor"]) == ("maintenance", "pump swap", "jo")
    assert event.data["done"] == rig.clock.wall()


@pytest.mark.parametrize(
    ("route", "body", "status", "complaint"),
    [
        ("unit-1/samples", {}, 409, "at least one value"),
        ("unit-1/samples", {"lean_water": 0.9}, 409, "lean 90 wt% water cannot be"),
        ("unit-1/samples", {"lean_water": 0.05, "rich_water": 0.01}, 409, "are the two swapped"),
        ("unit-1/samples", {"ph": 15.0}, 422, "ph"),
        ("unit-1/samples", {"ph": 7.0, "taken": 4e9}, 409, "has not come yet"),
        ("unit-1/maintenance", {"work": "tea"}, 409, "is none of: glycol change"),
        ("unit-1/maintenance", {"work": "other"}, 409, "needs a note"),
        ("west/samples", {"ph": 7.0}, 404, "no unit west"),
        ("unit-1/samples", {"ph": 7.0, "colour": "brown"}, 422, "colour"),
    ],
)
async def test_what_cannot_be_is_refused_and_not_kept(rig: Rig, route, body, status, complaint) -> None:
    rig.scan()
    answer = await entered(rig, route, body)
    assert answer.status_code == status
    assert complaint in answer.text
    await rig.stored()
    with History(rig.daemon.journal) as history:
        kinds = [entry.body.kind for entry in history.records(0.0, 1e11, kinds={EntryKind.EVENT})]
        assert not {"lab sample", "maintenance"} & set(kinds)


async def test_the_newest_entries_come_first_and_a_refusal_names_its_field(rig: Rig) -> None:
    rig.scan()
    async with rig.client(api=rig.local) as client:
        assert (await client.get("/v1/log-book")).json() == []
        taken = rig.clock.wall() - 7200.0
        for route, body in (
            ("samples", {"ph": 7.3, "taken": taken, "actor": "maria"}),
            ("maintenance", {"work": "cleaning", "actor": "jo"}),
        ):
            assert (await client.post(f"/v1/units/unit-1/{route}", json=body)).status_code == 200
            rig.clock.advance(1.0)
        newest, oldest = (await client.get("/v1/log-book?unit=unit-1")).json()
        assert (newest["kind"], newest["message"], newest["actor"]) == ("maintenance", "cleaning", "jo")
        assert oldest["kind"] == "lab sample"
        assert parse_time(oldest["happened"], 0.0, UTC) == pytest.approx(taken, abs=0.001)
        assert (await client.get("/v1/log-book?unit=west")).status_code == 404
        for route, body, field in (
            ("samples", {"lean_water": 0.05, "rich_water": 0.01}, "rich_water"),
            ("samples", {"ph": 7.0, "taken": 4e9}, "taken"),
            ("maintenance", {"work": "tea"}, "work"),
            ("maintenance", {"work": "other"}, "note"),
        ):
            refused = await client.post(f"/v1/units/unit-1/{route}", json=body)
            assert refused.status_code == 409
            assert refused.json()["field"] == field


async def test_over_tcp_the_name_is_the_users_and_viewing_is_not_enough(rig: Rig) -> None:
    rig.scan()
    async with rig.client() as client:
        for scope, body, status in (
            (Permission.VIEW, {"ph": 7.0}, 403),
            (Permission.OPERATE, {"ph": 7.0, "actor": "somebody else"}, 403),
            (Permission.OPERATE, {"ph": 7.0}, 200),
        ):
            headers, _ = rig.token(scope)
            answer = await client.post("/v1/units/unit-1/samples", json=body, headers=headers)
            assert answer.status_code == status, answer.text
    (event,) = events(rig)
    assert event.data["actor"]
    assert event.data["actor"] != "somebody else"


def test_the_words_without_a_daemon() -> None:
    event = sample_event("north", NOW, NOW, {"rich_water": 0.048, "solids": 2e-4}, "", "")
    assert event.message == "lab sample: rich 4.8 wt% water, solids 0.02 wt%"
    with pytest.raises(EntryRefused, match="has not come"):
        maintenance_event("north", "cleaning", NOW + 3600, NOW, "", "")
