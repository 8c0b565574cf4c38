"""An upset from raise to acknowledge to return, as an operator sees it; and what a viewer may not do."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Visitor
from tests.browser.station import HIGH, Station

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
SOON = 10_000.0  # ms; a scan, a delay and a push take about one second


def test_an_upset_from_raise_to_acknowledge_to_return(visit: Visitor, calm: Station) -> None:
    page = visit("olga", "/alarms")
    expect(page.locator("#alarm-line")).to_contain_text("No alarms")

    calm.put(reboiler=400.0)
    listed = page.locator(f'[data-alarm-row="unit-1/{HIGH}"]')
    expect(listed).to_have_attribute("data-alarm-state", "UNACK", timeout=SOON)
    expect(listed.locator(".badge")).to_have_class("badge medium unacknowledged")
    expect(listed).to_contain_text("medium")
    expect(page.locator("#announcement")).to_contain_text("medium alarm, unit-1: Reboiler temperature high")
    expect(page.locator("#alarm-line .message")).to_contain_text("400")

    listed.locator("summary").click()
    expect(listed).to_contain_text("Check burner turn-down")
    listed.get_by_role("button", name="Acknowledge").click()
    expect(listed).to_have_attribute("data-alarm-state", "ACKED", timeout=SOON)
    expect(listed.locator("details")).to_have_attribute("open", "")  # what was open stays open
    expect(page.locator("#record")).to_contain_text("acknowledged by olga", timeout=SOON)

    calm.put()
    expect(page.locator("#alarm-line")).to_contain_text("No alarms", timeout=SOON)
    expect(listed).to_have_count(0)
    went = page.locator("#record li").filter(has_text="Reboiler temperature high").filter(has_text="went")
    expect(went.first).to_be_visible(timeout=SOON)


def test_an_alarm_that_went_unseen_waits_to_be_acknowledged(visit: Visitor, calm: Station) -> None:
    page = visit("olga", "/units/unit-1")
    calm.put(reboiler=400.0)
    button = page.locator("#now").get_by_role("button", name="Acknowledge")
    expect(button).to_be_visible(timeout=SOON)
    expect(page.locator(".chip.alarmed .sign").first).to_contain_text("medium")
    calm.put()
    expect(page.locator("#now")).to_contain_text("returned, unacknowledged", timeout=SOON)
    button.click()
    expect(page.locator("#now")).to_contain_text("Nothing.", timeout=SOON)


def test_a_viewer_sees_everything_and_can_acknowledge_nothing(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/alarms")
    calm.put(reboiler=400.0)
    listed = page.locator(f'[data-alarm-row="unit-1/{HIGH}"]')
    expect(listed).to_be_visible(timeout=SOON)
    expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)
    expect(page.get_by_text("need the role operator")).to_be_visible()
    # Without a button on the page, by hand with the session's own token: the daemon refuses as well.
    refused = page.request.post(
        f"{calm.url}/v1/alarms/unit-1/{HIGH}/acknowledge",
        data={"occurrence": "any"},
        headers={
            "X-CSRF-Token": page.locator('meta[name="csrf"]').get_attribute("content") or "",
            "Origin": calm.url,
        },
    )
    assert refused.status == 403
    assert "operate" in refused.text()


def test_shelving_asks_why_hides_and_can_be_ended(visit: Visitor, calm: Station) -> None:
    page = visit("olga", "/alarms?show=all")
    listed = page.locator(f'[data-alarm-row="unit-1/{HIGH}"]')
    listed.get_by_role("button", name="Shelve").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Why").fill("   ")
    dialog.get_by_role("button", name="Shelve").click()
    expect(dialog.get_by_role("alert")).to_contain_text("Say why")
    dialog.get_by_label("For how long").select_option("15 min")
    dialog.get_by_label("Why").fill("thermometer is being changed")
    dialog.get_by_role("button", name="Shelve").click()
    expect(listed).to_have_attribute("data-alarm-state", "SHLVD", timeout=SOON)

    calm.put(reboiler=400.0)
    page.get_by_label("Shelved, suppressed").check()
    expect(listed).to_have_attribute("data-alarm-state", "SHLVD", timeout=SOON)
    expect(page.locator("#alarm-line")).to_contain_text("No alarms")
    listed.locator("summary").click()
    expect(listed).to_contain_text("Shelved until")
    listed.get_by_role("button", name="Unshelve").click()
    page.get_by_label("Need attention").check()
    expect(listed).to_have_attribute("data-alarm-state", "UNACK", timeout=SOON)  # a new occurrence
    listed.get_by_role("button", name="Acknowledge").click()
    expect(listed).to_have_attribute("data-alarm-state", "ACKED", timeout=SOON)


def test_only_an_engineer_takes_an_alarm_out_of_service(visit: Visitor) -> None:
    operator = visit("olga", "/alarms?show=all")
    expect(operator.get_by_role("button", name="Shelve").first).to_be_visible()
    expect(operator.get_by_role("button", name="Out of service")).to_have_count(0)
    engineer = visit("emil", "/alarms?show=all")
    listed = engineer.locator(f'[data-alarm-row="unit-1/{HIGH}"]')
    listed.get_by_role("button", name="Out of service").click()
    engineer.get_by_role("dialog").get_by_label("Why").fill("element is being replaced")
    engineer.get_by_role("dialog").get_by_role("button", name="Take out of service").click()
    expect(listed).to_have_attribute("data-alarm-state", "OOSRV", timeout=SOON)
    listed.get_by_role("button", name="Return to service").click()
    expect(listed).to_have_attribute("data-alarm-state", "NORM", timeout=SOON)
