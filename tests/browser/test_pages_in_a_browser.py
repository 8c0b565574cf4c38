"""The pages themselves: old data looks old, bad values look bad, themes, sizes, keyboard, accessibility."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Visitor
from tests.browser.station import Station

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]
SOON = 10_000.0
PAGES = (
    "/", "/units/unit-1", "/alarms?show=all", "/trends?unit=unit-1&span=3600", "/report", "/log-book",
    "/system", "/access",
)  # fmt: skip
REBOILER = '.key [data-value="reboiler_temperature"]'


def test_nobody_gets_in_without_a_password(visit: Visitor) -> None:
    page = visit("", "/units/unit-1")
    assert page.url.endswith("/login")
    assert "Test site" not in page.content()  # the door says nothing of the plant


def test_a_wrong_password_opens_nothing_and_the_right_one_does(calm: Station, visit: Visitor) -> None:
    page = visit("", "/login")
    refused = page.request.post(f"{calm.url}/v1/session", data={"name": "olga", "password": "wrong"})
    assert refused.status == 401
    page.get_by_label("Name").fill("olga")
    page.get_by_label("Password").fill("violet harbour eats 7 lamps")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("link", name="Overview")).to_be_visible(timeout=SOON)


def test_values_are_live_and_have_units_and_bands(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/units/unit-1")
    expect(page.locator(REBOILER)).to_contain_text("375.0 °F", timeout=SOON)
    expect(page.locator('.flow [data-value="stroke_rate"] .number')).to_have_text("12.00", timeout=SOON)
    calm.put(reboiler=380.0)
    expect(page.locator(REBOILER)).to_contain_text("380.0 °F", timeout=SOON)
    expect(page.locator('.key .bar[data-bar="reboiler_temperature"]')).to_have_attribute(
        "aria-label", "Reboiler: 380.0 °F, in the normal band"
    )
    expect(page.locator(".state").first).to_have_text("drying", timeout=SOON)
    # 8 trays stand in the site file, so 8 are drawn; it has no flash separator, so none is.
    assert page.locator(".flow .tray").count() == 8
    expect(page.locator(".flow")).not_to_contain_text("Flash")
    expect(page.locator(".flow")).to_contain_text("Surge tank")


def test_a_bad_value_is_neither_blank_nor_zero_and_says_why(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/units/unit-1")
    expect(page.locator(REBOILER)).to_have_attribute("data-quality", "good", timeout=SOON)
    calm.put(reboiler=900.0)  # beyond the gross range of a 0 to 500 degF element
    value = page.locator(REBOILER)
    expect(value).to_have_attribute("data-quality", "bad", timeout=SOON)
    expect(value.locator(".number")).to_have_text("✗")
    expect(value.locator(".measure")).to_have_text("bad")
    expect(page.locator('.key [data-reason="reboiler_temperature"]')).to_contain_text("range")


def test_a_dead_link_looks_dead_within_five_seconds(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/units/unit-1")
    expect(page.locator("#link")).to_have_text("live", timeout=SOON)
    with calm.silent():
        began = time.monotonic()
        expect(page.locator("#dead")).to_be_visible(timeout=SOON)
        # Data still under way when the daemon falls silent count as heard; hence the half second.
        assert time.monotonic() - began < 5.5
        expect(page.locator("#dead")).to_contain_text("NO DATA FOR")
        expect(page.locator(f"{REBOILER} .number")).to_have_css("text-decoration-line", "line-through")
        first = page.locator("#dead-seconds").inner_text()
        expect(page.locator("#dead-seconds")).not_to_have_text(first, timeout=SOON)  # the age goes on
    expect(page.locator("#dead")).to_be_hidden(timeout=2 * SOON)
    expect(page.locator("#link")).to_have_text("live")


def test_a_restarted_daemon_logs_nobody_out(visit: Visitor, calm: Station) -> None:
    page = visit("olga", "/units/unit-1")
    expect(page.locator("#link")).to_have_text("live", timeout=SOON)
    calm.restart()
    expect(page.locator("#link")).to_have_text("live", timeout=3 * SOON)
    calm.put(reboiler=400.0)
    button = page.locator("#alarm-line").get_by_role("button", name="Acknowledge")
    expect(button).to_be_visible(timeout=2 * SOON)
    button.click()  # and it may act, with what the page holds from before
    expect(button).to_have_count(0, timeout=SOON)
    assert page.url.endswith("/units/unit-1")


def test_what_cannot_be_read_is_said_above_the_picture(visit: Visitor) -> None:
    reason = "scans-2026-01-01.parquet: its check sum is wrong"

    def damaged(route: Route) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json={**answer.json(), "unreadable": [reason]})

    page = visit("vera", "/trends?unit=unit-1&span=3600")
    expect(page.locator("#unreadable")).to_be_hidden()
    page.route("**/trend?*", damaged)
    page.get_by_label("Time shown").select_option("8 hours")
    expect(page.locator("#unreadable")).to_contain_text(reason, timeout=SOON)


def test_themes_follow_the_device_and_can_be_chosen(visit: Visitor) -> None:
    page = visit("vera", "/", scheme="dark")
    ground = "() => getComputedStyle(document.documentElement).backgroundColor"
    assert page.evaluate(ground) == "rgb(20, 22, 23)"
    button = page.get_by_role("button", name="Theme")
    button.click()
    expect(button).to_have_text("Theme: day")
    assert page.evaluate(ground) == "rgb(214, 216, 217)"
    button.click()
    page.reload()
    expect(page.get_by_role("button", name="Theme")).to_have_text("Theme: dark room")
    assert page.evaluate(ground) == "rgb(20, 22, 23)"


@pytest.mark.parametrize("path", PAGES)
def test_a_phone_shows_every_page_without_scrolling_sideways(visit: Visitor, path: str) -> None:
    page = visit("ada", path, width=390, height=844)
    expect(page.locator("#link")).to_have_text("live", timeout=SOON)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_shuts_anybody_out(visit: Visitor, calm: Station, axe_script: str, scheme: str) -> None:
    calm.put(reboiler=400.0)
    page = visit("ada", "/", scheme=scheme)
    expect(page.locator("#alarm-line .badge").first).to_be_visible(timeout=SOON)
    found = []
    for path in (*PAGES, "/login"):
        page.goto(path)
        page.wait_for_timeout(1500)  # until charts and record have come
        found += [f"{path}: {each}" for each in violations(page, axe_script)]
    assert not found, "\n".join(found)


CHECK = """async () => {
    const rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
    const found = await axe.run(document, {runOnly: rules});
    const say = (node) => `${node.html.slice(0, 160)} ${node.any.map((each) => each.message).join(" ")}`;
    return found.violations.map((one) => `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map(say)}`);
}"""


def violations(page: Page, script: str) -> list[str]:
    """Run the checker with the rules of WCAG 2.2, A and AA."""
    page.evaluate(script)
    found: list[str] = page.evaluate(CHECK)
    return found


def test_the_keyboard_reaches_and_does_everything(visit: Visitor, calm: Station) -> None:
    page = visit("olga", "/units/unit-1")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()
    chart = page.locator('[data-chart="reboiler_temperature"] svg')
    expect(page.locator('[data-chart="reboiler_temperature"] .trace')).to_be_attached(timeout=SOON)
    chart.focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator('[data-chart="reboiler_temperature"] .readout')).to_contain_text(
        "375.0 °F", timeout=SOON
    )
    calm.put(reboiler=400.0)
    button = page.locator("#alarm-line").get_by_role("button", name="Acknowledge")
    expect(button).to_be_visible(timeout=SOON)
    button.focus()
    page.keyboard.press("Enter")
    expect(button).to_have_count(0, timeout=SOON)


def test_a_trend_is_chosen_zoomed_compared_and_exported(visit: Visitor, calm: Station) -> None:
    page = visit("vera", "/trends?unit=unit-1&name=reboiler_temperature&span=3600")
    expect(page.locator("#charts svg.none, #charts .trace").first).to_be_attached(timeout=SOON)
    expect(page.locator("#charts > .chart")).to_have_count(1)
    page.get_by_label("pump stroke rate, estimated").check()
    expect(page.locator("#charts > .chart")).to_have_count(2, timeout=SOON)
    assert "name=stroke_rate" in page.url
    page.get_by_role("button", name="Zoom in").click()
    expect(page.get_by_label("Time shown")).to_have_value("own")
    page.get_by_role("button", name="To now").click()
    page.get_by_label("Compare with").select_option("a day earlier")
    expect(page.locator("#charts")).to_contain_text("laid over it", timeout=SOON)
    assert "compare=86400" in page.url
    expect(page.locator("#trend-error")).to_be_empty()
    page.get_by_role("button", name="To now").click()
    export = page.locator("#export").get_attribute("href") or ""
    rows = page.request.get(f"{calm.url}{export}").text().splitlines()
    assert "reboiler_temperature" in rows[0]
    assert len(rows) > 3
    assert any(",375.0" in row for row in rows[1:])


def test_two_times_lie_over_each_other_and_both_are_read(visit: Visitor, calm: Station) -> None:
    now = time.time()
    calm.put(reboiler=380.0)
    time.sleep(6.0)  # so that there are two times with values of their own
    calm.put(reboiler=375.0)
    time.sleep(6.0)
    page = visit(
        "vera",
        f"/trends?unit=unit-1&name=reboiler_temperature&from={now + 7:.0f}&to={now + 11:.0f}&compare=span",
    )
    expect(page.locator("#charts .trace.earlier")).to_be_attached(timeout=SOON)
    chart = page.locator("#charts svg[role=img]")
    chart.focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    readout = page.locator("#charts .readout")
    expect(readout).to_contain_text("375.0 °F, earlier 380.0", timeout=SOON)


def test_a_chart_is_zoomed_and_moved_by_the_keyboard_alone(visit: Visitor) -> None:
    page = visit("vera", "/trends?unit=unit-1&name=reboiler_temperature&span=3600")
    expect(page.locator("#charts svg[role=img] .trace")).to_be_attached(timeout=SOON)

    def shown() -> tuple[float, float]:
        found = dict(re.findall(r"(from|to)=(\d+)", page.url))
        return float(found["from"]), float(found["to"])

    chart = page.locator("#charts svg[role=img]")
    chart.focus()
    page.keyboard.press("+")
    page.wait_for_url("**from=*")
    first = shown()
    assert first[1] - first[0] == pytest.approx(1800, abs=2)
    chart.focus()
    page.keyboard.press("Shift+ArrowLeft")
    expect(page).not_to_have_url(re.compile(f"from={first[0]:.0f}"), timeout=SOON)
    assert shown()[0] == pytest.approx(first[0] - 900, abs=2)
    moved = shown()
    page.keyboard.press("-")
    expect(page).not_to_have_url(re.compile(f"to={moved[1]:.0f}"), timeout=SOON)
    assert shown()[1] - shown()[0] == pytest.approx(3600, abs=2)
