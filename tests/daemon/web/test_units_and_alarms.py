"""What the routes of units, alarms and the system say."""

from __future__ import annotations

import pytest
from prometheus_client.parser import text_string_to_metric_families

from daemon.model import Status
from daemon.web.access.permissions import Permission
from daemon.web.metrics import METRICS
from tests.support.web_kit import HIGH, Rig, log_in


async def test_a_value_carries_unit_quality_time_and_age(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    rig.scan(gas_rate=None)
    async with rig.client(address="10.0.0.9") as client:
        unit = (await client.get("/v1/units/unit-1", headers=headers)).json()
        listed = (await client.get("/v1/units", headers=headers)).json()
    assert listed == [unit]
    values = {value["name"]: value for value in unit["signals"]}
    # 463.7 K = 375.0 degF by (K - 273.15) * 1.8 + 32.
    assert values["reboiler_temperature"]["value"] == pytest.approx((463.7 - 273.15) * 1.8 + 32)
    assert values["reboiler_temperature"]["unit"] == "°F"
    assert values["reboiler_temperature"]["quality"] == "good"
    assert values["reboiler_temperature"]["age"] == 0.0
    assert values["reboiler_temperature"]["time"] == "2023-11-14T22:13:21.000Z"
    assert values["gas_rate"]["value"] is None
    assert values["gas_rate"]["text"] == "–"
    assert values["gas_rate"]["status"] == Status.BAD_NO_COMMUNICATION.opc_ua_name


async def test_results_carry_their_uncertainty(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    for _ in range(5):
        rig.scan()
    async with rig.client() as client:
        unit = (await client.get("/v1/units/unit-1", headers=headers)).json()
    margin = next(value for value in unit["results"] if value["name"] == "dew_point_margin")
    assert margin["value"] is not None
    assert margin["uncertainty"] > 0


async def test_a_unit_that_is_not_there_or_not_scanned_is_404(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        assert (await client.get("/v1/units", headers=headers)).json() == []
        assert "not been scanned" in (await client.get("/v1/units/unit-1", headers=headers)).json()["detail"]
        assert "unit-1" in (await client.get("/v1/units/other", headers=headers)).json()["detail"]


async def test_an_operator_acknowledges_as_himself_and_this_is_kept(rig: Rig) -> None:
    raised = rig.overheat()
    assert raised.alarm == HIGH
    async with rig.client() as client:
        await log_in(client, "oli-operator")
        listed = (await client.get("/v1/alarms")).json()
        alarm = next(one for one in listed if one["alarm"] == HIGH)
        assert alarm["state"] == "UNACK"
        assert alarm["response"]
        route = f"/v1/alarms/unit-1/{HIGH}/acknowledge"
        body = {"occurrence": alarm["occurrence"], "comment": "burner off"}
        posing = await client.post(route, json=body | {"actor": "the boss"})
        assert posing.status_code == 403
        wrong = await client.post(route, json=body | {"occurrence": "another"})
        assert wrong.status_code == 409
        done = await client.post(route, json=body)
        step = done.json()["transitions"][0]
        assert (step["state"], step["actor"], step["comment"]) == ("ACKED", "oli-operator", "burner off")
        rig.clock.advance(1.0)
        # Durable when answered: another reader of the file sees it.
        kept = await client.get("/v1/records", params={"alarm": HIGH, "from": "-1h", "format": "json"})
        assert kept.json()[-1]["actor"] == "oli-operator"
        assert (await client.post("/v1/alarms/unit-1/none/unshelve", json={})).status_code == 404
    actions = [(message, data) for kind, message, data in rig.audited if kind == "operator action"]
    assert [data["result"].split(":")[0] for _, data in actions] == ["refused", "done", "refused"]
    assert {data["address"] for _, data in actions} == {"10.0.0.5"}


async def test_shelving_needs_a_reason_and_an_end(rig: Rig) -> None:
    rig.scan(reboiler_temperature=490.0)
    async with rig.client() as client:
        await log_in(client, "oli-operator")
        route = f"/v1/alarms/unit-1/{HIGH}/shelve"
        assert (await client.post(route, json={"duration": 600})).status_code == 409
        assert (await client.post(route, json={"duration": -1, "comment": "x"})).status_code == 422
        assert (await client.post(route, json={"duration": 90 * 3600, "comment": "x"})).status_code == 409
        assert (await client.post(route, json={"duration": 600, "comment": "swap"})).status_code == 200
        shelved = (await client.get(f"/v1/alarms/unit-1/{HIGH}")).json()
        assert shelved["state"] == "SHLVD"
        assert shelved["shelved_until"] == "2023-11-14T22:23:21.000Z"
        service = f"/v1/alarms/unit-1/{HIGH}/remove-from-service"
        assert (await client.post(service, json={"comment": "x"})).status_code == 403


async def test_readiness_follows_the_scans(rig: Rig) -> None:
    headers, _ = rig.token(Permission.VIEW)
    async with rig.client() as client:
        before = await client.get("/readyz", headers=headers)
        assert before.status_code == 503
        assert "not been scanned" in before.json()["reasons"][0]
        rig.scan()
        assert (await client.get("/readyz", headers=headers)).json() == {"status": "ready", "reasons": []}
        rig.clock.advance(60.0)
        late = await client.get("/readyz", headers=headers)
        assert late.status_code == 503
        assert "60 s ago" in late.json()["reasons"][0]
        assert (await client.get("/healthz")).json() == {"status": "alive"}


async def test_the_configuration_is_shown_without_secrets(rig: Rig) -> None:
    headers, _ = rig.token(Permission.ENGINEER)
    async with rig.client() as client:
        shown = (await client.get("/v1/configuration", headers=headers)).json()
    assert len(shown["hash"]) == 16
    assert shown["site"]["units"][0]["name"] == "unit-1"
    assert shown["site"]["controllers"][0]["host"] == "127.0.0.1"


async def test_a_scrape_gives_every_documented_figure_and_no_other(rig: Rig) -> None:
    headers, _ = rig.token(Permission.METRICS)
    rig.scan(gas_rate=None)
    rig.scan(reboiler_temperature=490.0, gas_rate=None)
    async with rig.client() as client:
        answer = await client.get("/metrics", headers=headers)
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    assert set(families) == set(METRICS)
    for name, (kind, meaning, labels) in METRICS.items():
        assert (families[name].type, families[name].documentation) == (kind, meaning)
        assert all(set(sample.labels) == set(labels) for sample in families[name].samples)
    samples = {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in families.values()
        for sample in family.samples
    }
    unit = ("unit", "unit-1")
    assert samples["tegwatch_scans_total", unit] == 2
    assert samples["tegwatch_link_up", ("controller", "plc")] == 1
    assert samples["tegwatch_values", ("kind", "signal"), ("quality", "bad"), unit] == 1
    assert (
        sum(
            value
            for key, value in samples.items()
            if key[0] == "tegwatch_alarms" and ("state", "UNACK") in key
        )
        >= 1
    )
    assert samples["tegwatch_scan_age_seconds", unit] == 0
