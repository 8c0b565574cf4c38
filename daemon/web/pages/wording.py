"""How single values and times are written on a page. Pure; the page's script writes the same way."""

from __future__ import annotations

from daemon.model import Status
from daemon.web.pages.bands import Band
from daemon.web.schemas import CauseView, ValueView

_STATES = {"burner_on": ("off", "on"), "bypass_open": ("closed", "open")}
BAD = "✗"
"""Stands for a bad value: never a blank, never a zero."""
AWAITED = "…"
"""Stands for a value that takes time to learn: nothing is broken."""
_WAITING = Status.BAD_WAITING_FOR_INITIAL_DATA.opc_ua_name
NEVER = 86400.0
"""The time to a limit that stands for "not at all" [s]."""
UNFORESEEN = "not foreseen"


def state_word(value: ValueView) -> str:
    """Write a state in words."""
    off, on = _STATES.get(value.name, ("no", "yes"))
    return on if value.value else off


def number_of(value: ValueView) -> str:
    """Write a value without its unit."""
    if value.value is None:
        return AWAITED if value.status == _WAITING else BAD
    if value.quantity == "state":
        return state_word(value)
    if value.quantity == "duration":
        return UNFORESEEN if unforeseen(value) else duration_words(value.value)
    return value.text.removesuffix(value.unit).strip().replace("-", "−")


def measure_of(value: ValueView) -> str:
    """Write the unit that stands beside the number; a duration carries its own."""
    if value.value is None:
        return "not yet" if value.status == _WAITING else "bad"
    return "" if value.quantity == "duration" else value.unit


def unforeseen(value: ValueView) -> bool:
    """Whether a time to a limit says that the limit is not on its way."""
    return value.name.endswith("time_to_limit") and (value.value is None or value.value >= NEVER)


def spread_of(value: ValueView) -> str:
    """Write one standard uncertainty with as many digits as the value has; empty where there is none."""
    if value.uncertainty is None or value.value is None or value.quantity == "duration":
        return ""
    decimals = len(value.text.removesuffix(value.unit).strip().partition(".")[2])
    return f"{value.uncertainty:.{decimals}f}"


def forecast_of(value: ValueView) -> str:
    """Write when a limit will be reached, with one standard uncertainty; empty while it is not foreseen."""
    if value.value is None or unforeseen(value):
        return ""
    if value.value < 60:
        return "limit within a minute at this trend"
    spread = f" ± {duration_words(value.uncertainty)}" if value.uncertainty else ""
    return f"limit in {duration_words(value.value)}{spread} at this trend"


def fit_of(cause: CauseView) -> str:
    """Write how well a known fault fits, beside all others and that nothing is wrong.

    Words beside the number: a share of belief is no measurement.
    """
    word = "fits well" if cause.share >= 0.6 else "may fit" if cause.share >= 0.25 else "fits weakly"
    return f"{word}, {100 * cause.share:.0f} %"


def band_text(band: Band | None) -> str:
    """Write the normal band of a value; empty where no alarm limits it."""
    return "" if band is None else band.words.replace("-", "−")


def duration_words(seconds: float) -> str:
    """Write a length of time as people say it.

    >>> duration_words(42), duration_words(1200), duration_words(7260), duration_words(180000)
    ('42 s', '20 min', '2 h 1 min', '2 d 2 h')
    """
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
