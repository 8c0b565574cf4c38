"""What a person waits for: the first paint of every page, and a picture of a month and a year of data."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.bench.test_bench_archive import DAY, _year
from tests.browser.conftest import log_in
from tests.browser.station import Station, running_station

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

PAGES = ("/", "/units/north", "/alarms", "/trends", "/report", "/log-book", "/system")
NAMES = ("signal_0", "signal_1", "result_0")
DRAWN = """() => [...document.querySelectorAll("#charts .trace")].filter(
    (line) => line.getAttribute("d")?.length > 5000).length >= 3 && performance.now()"""
FIRST_PAINT = """() => performance.getEntriesByName("first-contentful-paint")[0]?.startTime"""
ASKED = """() => performance.getEntriesByType("resource").filter((one) => one.name.includes("/trend?"))
    .map((one) => one.duration)"""


@contextmanager
def stored(folder: Path, days: int) -> Iterator[tuple[Station, float]]:
    """A station whose unit has so many days of one scan a second behind it."""
    _, end = _year(folder, days)
    with running_station(folder, unit="north") as station:
        yield station, end


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Station, float]]:
    with stored(tmp_path_factory.mktemp("month"), 30) as running:
        yield running


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Station, float]]:
    with stored(tmp_path_factory.mktemp("year"), 365) as running:
        yield running


@contextmanager
def opened_at(browser: Browser, station: Station) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1920, "height": 1080}, base_url=station.url)
    page = context.new_page()
    log_in(page, "vera")
    yield page
    context.close()


@pytest.fixture
def page(browser: Browser, month: tuple[Station, float]) -> Iterator[Page]:
    with opened_at(browser, month[0]) as opened:
        yield opened


def test_first_paint(page: Page) -> None:
    painted: dict[str, float] = {}
    for path in PAGES:
        runs = []
        for _ in range(3):
            page.goto(path)
            page.wait_for_function(FIRST_PAINT)
            runs.append(float(page.evaluate(FIRST_PAINT)))
        painted[path] = min(runs)
    print("\n  first contentful paint, best of 3")
    for path, took in painted.items():
        print(f"  {path:16} {took:6.0f} ms")
    # A ratio, for a shared machine: the fullest page against the barest.
    assert painted["/units/north"] < 10 * painted["/alarms"]


def drawn(page: Page, end: float, spans: dict[str, float]) -> dict[str, float]:
    """Time from the address to the drawn picture [ms] by span, the best of three; prints them."""
    names = "&".join(f"name={name}" for name in NAMES)
    took: dict[str, tuple[float, float]] = {}
    for words, span in spans.items():
        runs = []
        for _ in range(3):
            page.goto(f"/trends?unit=north&{names}&from={end - span:.0f}&to={end:.0f}")
            at = page.wait_for_function(DRAWN, timeout=60_000).json_value()
            runs.append((float(at), max(page.evaluate(ASKED))))
        took[words] = min(runs)
    print("\n  three values, one scan a second: from the address to the drawn picture (the daemon's part)")
    for words, (whole, asked) in took.items():
        print(f"  {words:8} {whole:6.0f} ms ({asked:.0f} ms)")
    return {words: whole for words, (whole, _) in took.items()}


def test_thirty_days_of_one_second_data_in_a_picture(page: Page, month: tuple[Station, float]) -> None:
    took = drawn(page, month[1], {"1 day": DAY, "30 days": 30 * DAY})
    # Thirty times the data may cost a few times the time, because summaries answer for it.
    assert took["30 days"] < 10 * took["1 day"]


@pytest.mark.nightly
def test_a_year_of_one_second_data_in_a_picture(browser: Browser, year: tuple[Station, float]) -> None:
    with opened_at(browser, year[0]) as page:
        took = drawn(page, year[1], {"1 day": DAY, "30 days": 30 * DAY, "1 year": 365 * DAY})
    assert took["1 year"] < 10 * took["1 day"]
