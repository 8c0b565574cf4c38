"""What people enter: the log book, reports, users and tokens; mistakes are told where they are."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Visitor
from tests.browser.station import Station

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]
SOON = 10_000.0


def test_a_sample_is_entered_and_its_mistakes_stand_beside_their_fields(visit: Visitor) -> None:
    page = visit("olga", "/log-book?unit=unit-1")
    form = page.locator("#sample")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#sample-lean_water-error")).to_contain_text("at least one value")
    form.get_by_label("Water in the lean glycol").fill("one")
    form.get_by_label("pH of the lean glycol").fill("15")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#sample-lean_water-error")).to_contain_text("Write a number")
    expect(page.locator("#sample-ph-error")).to_contain_text("between 0 and 14")
    expect(form.get_by_label("Water in the lean glycol")).to_be_focused()

    # What only the daemon can tell comes back to its field too.
    form.get_by_label("Water in the lean glycol").fill("4,8")
    form.get_by_label("Water in the rich glycol").fill("1.2")
    form.get_by_label("pH of the lean glycol").fill("7.3")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#sample-rich_water-error")).to_contain_text("swapped", timeout=SOON)
    expect(page.locator("#sample-ph-error")).to_be_empty()
    form.get_by_label("Drawn at").fill("2099-01-01T00:00")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#sample-rich_water-error")).to_contain_text("swapped", timeout=SOON)

    form.get_by_label("Water in the lean glycol").fill("1.2")
    form.get_by_label("Water in the rich glycol").fill("4.8")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#sample-taken-error")).to_contain_text("not come yet", timeout=SOON)
    form.get_by_label("Drawn at").fill("2026-01-15T06:30")
    form.get_by_label("Chlorides").fill("350")
    form.get_by_label("Note").fill("after the <b>filter</b>")
    form.get_by_role("button", name="Enter sample").click()
    expect(page.locator("#kept")).to_contain_text(
        "lean 1.2 wt% water, rich 4.8 wt% water, pH 7.3", timeout=SOON
    )
    listed = page.locator("#entries tr").first
    expect(listed).to_contain_text("chlorides 350 mg/kg; after the <b>filter</b>")
    expect(listed).to_contain_text("olga")
    expect(listed.locator("time")).to_have_attribute("datetime", re.compile(r"2026-01-15T13:30"))  # Denver
    expect(form.get_by_label("Chlorides")).to_have_value("")


def test_work_is_entered_and_a_viewer_only_reads(visit: Visitor) -> None:
    page = visit("olga", "/log-book")
    form = page.locator("#work")
    form.get_by_role("button", name="Enter work").click()
    expect(page.locator("#work-work-error")).to_contain_text("Say what was done")
    form.get_by_label("What was done").select_option("other")
    form.get_by_role("button", name="Enter work").click()
    expect(page.locator("#work-note-error")).to_contain_text("says what was done", timeout=SOON)
    form.get_by_label("What was done").select_option("pump swap")
    form.get_by_label("Note").fill("to the small one")
    form.get_by_role("button", name="Enter work").click()
    expect(page.locator("#entries tr").first).to_contain_text("pump swap; to the small one", timeout=SOON)
    viewer = visit("vera", "/log-book")
    expect(viewer.locator("#entries tr").first).to_contain_text("pump swap", timeout=SOON)
    expect(viewer.locator("main form")).to_have_count(0)


def test_a_report_opens_in_a_window_of_its_own_as_it_was_written(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/report?unit=unit-1")
    page.get_by_label("Worth of gas").fill("cheap")
    page.get_by_role("button", name="Open in a new window").click()
    expect(page.locator("#price-error")).to_contain_text("Write a number")
    page.get_by_label("Worth of gas").fill("3,5")
    page.get_by_label("Time").select_option("from … to …")
    page.get_by_label("To").fill("2020-01-01T00:00")
    page.get_by_role("button", name="Open in a new window").click()
    expect(page.locator("#to-error")).to_contain_text("after the beginning")
    page.get_by_label("Time").select_option("last 24 hours")
    wrong: list[str] = []
    with page.context.expect_page() as opened:
        page.get_by_role("button", name="Open in a new window").click()
    report = opened.value
    report.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    report.wait_for_load_state()
    expect(report.get_by_role("heading", name="Unit one")).to_be_visible(timeout=3 * SOON)
    # Its own style sheet is in force although the page's policy would refuse anything inline.
    assert report.locator("h1").evaluate("(one) => getComputedStyle(one).letterSpacing") != "normal"
    assert not wrong, wrong
    with page.expect_download() as kept:
        page.get_by_role("button", name="Save as file").click()
    assert kept.value.suggested_filename == "unit-1.html"
    assert "Glycol and reboiler" in kept.value.path().read_text(encoding="utf-8")
    assert "/report" in page.url


def test_an_admin_makes_and_removes_users_and_tokens(visit: Visitor, calm: Station) -> None:
    page = visit("ada", "/access")
    form = page.locator("#add-user")
    form.get_by_label("Name").fill("No One")
    form.get_by_label("First password").fill("short")
    form.get_by_role("button", name="Add user").click()
    expect(page.locator("#user-name-error")).to_contain_text("Lower-case letters")
    expect(page.locator("#user-password-error")).to_contain_text("15 characters")
    form.get_by_label("Name").fill("nora")
    form.get_by_label("First password").fill("green kettles hum at noon")
    form.get_by_role("button", name="Add user").click()
    expect(page.get_by_label("Role of nora")).to_have_value("viewer", timeout=SOON)
    page.get_by_label("Role of nora").select_option("operator")
    expect(page.locator("#message")).to_contain_text("nora is now operator", timeout=SOON)

    tokens = page.locator("#add-token")
    tokens.get_by_label("Acts for").select_option("nora")
    tokens.get_by_label("What it is for").fill("trend export")
    tokens.get_by_role("button", name="Make token").click()
    expect(page.locator("#token-scopes-error")).to_contain_text("Choose")
    tokens.get_by_label("view").check()
    tokens.get_by_role("button", name="Make token").click()
    secret = page.locator("#secret")
    expect(secret).to_contain_text("shown this once", timeout=SOON)
    token = secret.inner_text().rpartition(" ")[2]
    allowed = page.request.get(f"{calm.url}/v1/units", headers={"Authorization": f"Bearer {token}"})
    assert allowed.status == 200
    expect(page.locator("#tokens")).to_contain_text("trend export")

    remove = page.locator("#remove-nora")
    remove.click()
    expect(remove).to_contain_text("Sure?")
    remove.click()
    expect(page.get_by_label("Role of nora")).to_have_count(0, timeout=SOON)
    expect(page.locator("#tokens")).to_contain_text("There is none")
    page.locator("#remove-ada").click()
    page.locator("#remove-ada").click()
    expect(page.locator("#users-error")).to_contain_text("nobody could administer", timeout=SOON)
