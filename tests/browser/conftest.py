"""Chromium for browser tests. Every page must be silent on the console and never ask another host."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, sync_playwright

from tests.browser.chromium import CHROMIUM_ARGUMENTS, chromium_program
from tests.browser.station import PASSWORD, Station, running_station

Visitor = Callable[..., Page]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = chromium_program()
    if program is None:
        assert os.environ.get("CI") != "true", "chromium is not installed: apt-get install chromium"
        pytest.skip("chromium is not installed: apt-get install chromium")
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=program, args=CHROMIUM_ARGUMENTS)
        yield started
        started.close()


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    with running_station(tmp_path_factory.mktemp("station")) as running:
        yield running


@pytest.fixture
def calm(station: Station) -> Iterator[Station]:
    """The station with everything normal, before and after."""
    station.settle()
    yield station
    station.settle()


@pytest.fixture
def visit(browser: Browser, calm: Station) -> Iterator[Visitor]:
    """Open a page as somebody; afterwards nothing may have been wrong with it."""
    contexts: list[BrowserContext] = []
    wrong: list[str] = []

    def open_as(
        name: str, path: str = "/", *, width: int = 1280, height: int = 800, scheme: str = "light"
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if scheme == "dark" else "light",
            base_url=calm.url,
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: wrong.append(f"{page.url}: {error}"))
        page.on("console", lambda line: _note_complaint(line, page, wrong))
        page.on("request", lambda request: _note_foreign(request.url, calm.url, wrong))
        if name:
            log_in(page, name)
        page.goto(path)
        return page

    yield open_as
    for context in contexts:
        context.close()
    assert not wrong, wrong


def _note_complaint(line: ConsoleMessage, page: Page, wrong: list[str]) -> None:
    # The browser itself writes down every request that is refused (an entry that cannot be right) or finds
    # nobody (a daemon that is being restarted).
    expected = ("status of 409", "net::ERR_CONNECTION", "net::ERR_INCOMPLETE", "net::ERR_EMPTY")
    if line.type in {"error", "warning"} and not any(each in line.text for each in expected):
        wrong.append(f"{page.url}: {line.text}")


def _note_foreign(url: str, own: str, wrong: list[str]) -> None:
    if urlsplit(url).scheme in {"http", "https", "ws", "wss"} and not url.startswith(f"{own}/"):
        wrong.append(f"asked another host: {url}")


def log_in(page: Page, name: str) -> None:
    page.goto("/login")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/")


@pytest.fixture(scope="session")
def axe_script() -> str:
    """The accessibility checker's script, from the package that ships it."""
    import axe_playwright_python  # noqa: PLC0415 - only this fixture needs it

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
