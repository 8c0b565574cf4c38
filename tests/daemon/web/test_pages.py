"""The pages as the server sends them: complete without a script, nothing inline, nothing unescaped."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator
from html.parser import HTMLParser

import httpx
import pytest

from daemon.model import LikelyCause
from daemon.web.access.throttle import RequestRate
from daemon.web.pages.routes import network_api_with_pages
from tests.support.web_kit import HIGH, Rig, log_in

PAGES = (
    "/", "/units/unit-1", "/alarms", "/alarms?show=all", "/trends", "/report", "/log-book", "/system",
)  # fmt: skip


class Seen(HTMLParser):
    """Every tag with its attributes, and the text of scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self._script: dict[str, str | None] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._script = dict(attrs) if tag == "script" else None

    def handle_data(self, data: str) -> None:
        if self._script is not None and data.strip():
            self.scripts.append((self._script, data))

    def handle_endtag(self, tag: str) -> None:
        self._script = None


def seen(text: str) -> Seen:
    parser = Seen()
    parser.feed(text)
    return parser


@pytest.fixture
async def browser(rig: Rig) -> AsyncIterator[httpx.AsyncClient]:
    api = network_api_with_pages(rig.parts, rig.authority, RequestRate(1000.0, 1000))
    async with rig.client(api=api) as client:
        client.headers["accept"] = "text/html"
        yield client


async def page(client: httpx.AsyncClient, path: str) -> str:
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/html")
    return answer.text


@pytest.mark.parametrize("path", PAGES)
async def test_without_a_log_in_a_page_leads_to_the_door(browser: httpx.AsyncClient, path: str) -> None:
    answer = await browser.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/login"


async def test_the_door_says_nothing_of_the_plant(browser: httpx.AsyncClient, rig: Rig) -> None:
    text = await page(browser, "/login")
    assert "test-site" not in text
    assert "unit-1" not in text
    assert "Log in" in text


@pytest.mark.parametrize("path", PAGES)
async def test_a_page_has_its_values_before_any_script_and_before_any_scan(
    browser: httpx.AsyncClient, rig: Rig, path: str
) -> None:
    await log_in(browser, "vic-viewer")
    assert "<main" in await page(browser, path)  # nothing has been scanned yet
    rig.scan()
    text = await page(browser, path)
    if path in {"/", "/units/unit-1"}:
        assert re.search(r'<span class="number">375\.0</span>', text)
        assert "°F" in text


@pytest.mark.parametrize("path", [*PAGES, "/login"])
async def test_nothing_inline_that_the_policy_refuses_and_every_file_is_there(
    browser: httpx.AsyncClient, rig: Rig, path: str
) -> None:
    rig.scan()
    rig.scan(reboiler_temperature=480.0)  # with an alarm, the fullest page
    await log_in(browser, "eve-engineer")
    found = seen(await page(browser, path))
    for attributes, _ in found.scripts:
        assert attributes.get("type") == "application/json"
    ids = [attributes["id"] for _, attributes in found.tags if "id" in attributes]
    assert len(ids) == len(set(ids)), sorted(ids)
    files = 0
    for tag, attributes in found.tags:
        assert "style" not in attributes, (tag, attributes)
        assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
        for key in ("src", "href"):
            address = attributes.get(key)
            if tag in {"script", "link"} and address:
                files += 1
                answer = await browser.get(address)
                assert answer.status_code == 200
                assert "immutable" in answer.headers["cache-control"]
    assert files >= 4


async def test_modules_import_only_modules_that_are_there(browser: httpx.AsyncClient) -> None:
    root = re.search(r'href="(/static/\w+)/page\.css"', await page(browser, "/login"))
    assert root is not None
    own = ("page", "unit", "trends", "alarms", "system", "overview", "report", "log-book", "access")
    waiting, known = [f"{name}.js" for name in own], set[str]()
    while waiting:
        name = waiting.pop()
        if name in known:
            continue
        known.add(name)
        answer = await browser.get(f"{root[1]}/{name}")
        assert answer.status_code == 200, name
        assert answer.headers["content-type"].startswith("text/javascript")
        waiting += re.findall(r'(?:from|import) "\./([\w.-]+)"', answer.text)
    assert "chart.js" in known


@pytest.mark.parametrize("path", ["../../routes.py", "page.css", "000000000000/page.css", "%2e%2e/model.py"])
async def test_no_other_file_can_be_asked_for(browser: httpx.AsyncClient, path: str) -> None:
    answer = await browser.get(f"/static/{path}")
    assert answer.status_code in {303, 401, 404}
    assert "import" not in answer.text


async def test_buttons_are_for_those_who_may(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    rig.scan(reboiler_temperature=480.0)

    async def actions(name: str) -> set[str]:
        browser.cookies.clear()
        await log_in(browser, name)
        text = await page(browser, "/alarms")
        assert HIGH in text
        return {attributes["data-do"] or "" for _, attributes in seen(text).tags if "data-do" in attributes}

    assert await actions("vic-viewer") == set()
    assert await actions("oli-operator") == {"acknowledge", "shelve"}
    assert await actions("eve-engineer") == {"acknowledge", "shelve", "remove-from-service"}


async def test_a_bad_value_is_shown_as_bad_with_its_reason(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    rig.scan(reboiler_temperature=None)
    await log_in(browser, "vic-viewer")
    text = await page(browser, "/units/unit-1")
    place = re.search(
        r'data-value="reboiler_temperature" data-quality="(\w+)"[^>]*>\s*<span class="number">([^<]*)<', text
    )
    assert place is not None
    assert place.groups() == ("bad", "✗")
    assert "no answer" in text


async def test_what_people_wrote_cannot_become_a_tag(browser: httpx.AsyncClient, rig: Rig) -> None:
    await log_in(browser, "oli-operator")
    rig.scan()
    evil = '<img src=x onerror="alert(1)">'
    done = await browser.post(f"/v1/alarms/unit-1/{HIGH}/shelve", json={"duration": 600, "comment": evil})
    assert done.status_code == 200, done.text
    text = await page(browser, "/alarms?show=hidden")
    assert HIGH in text
    assert "<img" not in text


async def test_strokes_stand_against_the_stall_rate(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    await log_in(browser, "vic-viewer")
    held = next(
        text for attributes, text in seen(await page(browser, "/")).scripts if attributes["id"] == "bars"
    )
    strokes = json.loads(held)["unit-1"]["stroke_rate"]
    # The site file's pump: it stalls below 8 and does at most 40 a minute; 95 % of that is its high limit.
    assert strokes["normal"] == pytest.approx([8.0, 38.0])
    assert strokes["low"] == pytest.approx(0.0)


async def test_filters_choose(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    rig.scan(reboiler_temperature=480.0)
    await log_in(browser, "vic-viewer")
    assert f"unit-1/{HIGH}" in await page(browser, "/alarms?unit=unit-1&priority=medium")
    assert f"unit-1/{HIGH}" not in await page(browser, "/alarms?priority=low")
    assert f"unit-1/{HIGH}" not in await page(browser, "/alarms?unit=elsewhere")
    assert f"unit-1/{HIGH}" not in await page(browser, "/alarms?show=hidden")


async def test_a_unit_that_is_not_there_is_not_found(browser: httpx.AsyncClient) -> None:
    await log_in(browser, "vic-viewer")
    assert (await browser.get("/units/elsewhere")).status_code == 404


async def test_only_an_admin_reaches_users_and_tokens(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    await log_in(browser, "eve-engineer")
    assert (await browser.get("/access")).status_code == 403
    assert 'href="/access"' not in await page(browser, "/")
    browser.cookies.clear()
    await log_in(browser, "ada-admin")
    assert 'href="/access"' in await page(browser, "/")
    text = await page(browser, "/access")
    assert "vic-viewer" in text
    assert "argon2" not in text


async def test_the_log_books_forms_are_for_those_who_may(browser: httpx.AsyncClient, rig: Rig) -> None:
    rig.scan()
    await log_in(browser, "vic-viewer")
    assert "<form" not in (await page(browser, "/log-book")).partition("<main")[2].partition("</main")[0]
    browser.cookies.clear()
    await log_in(browser, "oli-operator")
    names = {attributes.get("name") for _, attributes in seen(await page(browser, "/log-book")).tags}
    assert {"taken", "lean_water", "rich_water", "ph", "chlorides", "solids", "note", "done", "work"} <= names


async def test_causes_come_with_what_speaks_for_and_against_them(
    browser: httpx.AsyncClient, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    cause = LikelyCause(
        "burner sticks on", 0.7, ("reboiler temperature rising",), ("strokes steady, expected falling",),
        ("stack temperature",), "Look at the fuel valve.",
    )  # fmt: skip
    bare = LikelyCause("something else", 0.2, (), (), (), "Look there.")
    monkeypatch.setattr(rig.scanner.monitor._outlook, "diagnosis", lambda: (cause, bare))
    rig.scan()
    rig.scan(reboiler_temperature=480.0)
    await log_in(browser, "vic-viewer")
    text = await page(browser, "/units/unit-1")
    behind = text.partition('id="behind-title"')[2].partition("</section>")[0]
    for words in (cause.fault, "fits well, 70 %", cause.check, *cause.evidence_for, *cause.evidence_against):
        assert words in behind
    assert "stack temperature" in behind
    assert "something else" not in text  # without evidence there is no verdict
    assert cause.check in await page(browser, "/alarms")
