"""Bands, order and wording of the pages: pure."""

from __future__ import annotations

import dataclasses
import re
from importlib.resources import files

import pytest

from config.alarm_set import resolve_alarms
from config.loader import unit_context
from config.quantities import RESULT_KINDS, SIGNAL_KINDS
from config.units import display_units
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.web.pages.bands import Band, bands
from daemon.web.pages.order import REST, grouped
from daemon.web.pages.wording import duration_words, fit_of, forecast_of, measure_of, number_of, spread_of
from daemon.web.schemas import CauseView, ValueView
from tests.support.demo_site import demo_site


def value(**changes: object) -> ValueView:
    plain = ValueView(
        name="reboiler_temperature", description="", kind="signal", quantity="temperature", value=391.24,
        unit="°F", text="391.2 °F", uncertainty=None, quality="good", status="Good", reason="",
        time="2026-01-01T00:00:00.000Z", age=0.0,
    )  # fmt: skip
    return plain.model_copy(update=changes)


def north_bands() -> dict[str, Band]:
    site = demo_site()
    unit = site.units[0]
    alarms = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms).alarms()
    context = unit_context(site)
    return bands(unit, alarms, display_units("us", context), context)


def test_the_normal_band_lies_between_the_innermost_limits() -> None:
    reboiler = north_bands()["reboiler_temperature"]
    # 390 degF set point: low at 20 below, high at 15 above but 402 at most, high-high at 404 (alarm texts).
    assert reboiler.normal_low == pytest.approx(370.0)
    assert reboiler.normal_high == pytest.approx(402.0)
    assert max(limit.at for limit in reboiler.limits) == pytest.approx(404.0)
    assert reboiler.low < 370.0
    assert reboiler.high > 404.0
    assert reboiler.words == "normal 370.0 to 402.0 °F"


def test_every_bar_has_a_scale_that_holds_its_limits() -> None:
    found = north_bands()
    assert len(found) > 10
    for name, band in found.items():
        assert band.low < band.high, name
        for limit in band.limits:
            assert band.low <= limit.at <= band.high, (name, limit)


def test_a_band_with_one_limit_says_so() -> None:
    margin = north_bands()["dew_point_margin"]
    assert margin.words == "normal above 5.0 °F"
    assert dataclasses.replace(margin, limits=()).words == ""


def test_every_known_value_has_its_place_in_the_flow_once() -> None:
    listed = [name for _, names in grouped({*SIGNAL_KINDS, *RESULT_KINDS}) for name in names]
    assert len(listed) == len(set(listed))
    assert set(listed) == {*SIGNAL_KINDS, *RESULT_KINDS}
    assert grouped(["own_signal"]) == [(REST, ["own_signal"])]


def test_numbers_are_written_with_their_marks() -> None:
    assert number_of(value()) == "391.2"
    assert number_of(value(value=None, text="–", quality="bad")) == "✗"
    assert measure_of(value(value=None, text="–", quality="bad")) == "bad"
    learning = value(value=None, text="–", quality="bad", status="BadWaitingForInitialData")
    assert (number_of(learning), measure_of(learning)) == ("…", "not yet")
    assert number_of(value(text="-3.0 °F", value=-3.0)) == "−3.0"
    assert spread_of(value(uncertainty=1.06)) == "1.1"
    assert spread_of(value()) == ""
    assert number_of(value(name="burner_on", quantity="state", value=1.0, unit="", text="1")) == "on"
    soon = value(name="margin_time_to_limit", quantity="duration", value=720.0, unit="s", text="720.0 s")
    assert (number_of(soon), measure_of(soon)) == ("12 min", "")
    assert number_of(soon.model_copy(update={"value": 86400.0})) == "not foreseen"


@pytest.mark.parametrize(
    ("seconds", "uncertainty", "words"),
    [
        (720.0, 180.0, "limit in 12 min ± 3 min at this trend"),
        (720.0, None, "limit in 12 min at this trend"),
        (30.0, 20.0, "limit within a minute at this trend"),
        (86400.0, 0.0, ""),
        (None, None, ""),
    ],
)
def test_a_forecast_says_how_sure_it_is(seconds: float | None, uncertainty: float | None, words: str) -> None:
    soon = value(name="margin_time_to_limit", quantity="duration", value=seconds, uncertainty=uncertainty)
    assert forecast_of(soon) == words


@pytest.mark.parametrize(
    ("share", "words"), [(0.8, "fits well, 80 %"), (0.3, "may fit, 30 %"), (0.06, "fits weakly, 6 %")]
)
def test_a_share_of_belief_is_said_in_words_too(share: float, words: str) -> None:
    cause = CauseView(
        fault="f", share=share, evidence_for=["x"], evidence_against=[], unknown=[], check="Look."
    )
    assert fit_of(cause) == words


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.4, "0 s"), (119, "119 s"), (120, "2 min"), (7200, "2 h"), (172800, "2 d")]
)
def test_durations(seconds: float, words: str) -> None:
    assert duration_words(seconds) == words


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2 (definition "relative luminance")."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2 (definition "contrast ratio")."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def themes() -> dict[str, dict[str, str]]:
    text = files("daemon.web").joinpath("static/page.css").read_text(encoding="utf-8")
    blocks = {
        "day": text.split(":root {")[1].split("}")[0],
        "dark": text.split(':root[data-theme="dark"] {')[1].split("}")[0],
        "dark by device": text.split(':root[data-theme="auto"] {')[1].split("}")[0],
    }
    return {name: dict(re.findall(r"--([\w-]+):\s*(#\w{6})", block)) for name, block in blocks.items()}


@pytest.mark.parametrize("theme", ["day", "dark", "dark by device"])
def test_every_pair_of_text_and_ground_can_be_read(theme: str) -> None:
    colours = themes()[theme]
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: the range is 1 to 21
    for ground in ("ground", "panel", "vessel"):
        for text in ("text", "quiet", "highest", "high", "low", "edge-medium"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for priority in ("highest", "high", "medium", "low"):
        assert contrast(colours[f"on-{priority}"], colours[priority]) >= 4.5, priority


def test_the_two_dark_themes_are_one() -> None:
    assert themes()["dark"] == themes()["dark by device"]


def test_saturated_colour_is_for_alarms_only() -> None:
    alarms = {"highest", "high", "medium", "low", "edge-medium"}
    for theme, colours in themes().items():
        for name, colour in colours.items():
            parts = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
            grey = max(parts) - min(parts) <= 12
            assert grey == (name not in alarms), (theme, name, colour)
