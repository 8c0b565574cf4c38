"""What the pages show, gathered from the parts of the daemon: plain data for the templates."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from config.loader import unit_context
from config.quantities import Quantity
from config.site import DehydrationUnit
from daemon.acquisition import UnitScanner
from daemon.model import AlarmState
from daemon.times import zone_named
from daemon.web.alarm_views import alarm_view
from daemon.web.pages.bands import Band, bands
from daemon.web.parts import Daemon
from daemon.web.schemas import AlarmView, CauseView, UnitView, ValueView
from daemon.web.urgency import most_urgent_first
from daemon.web.views import Views

STATE_WORDS: Mapping[str, str] = {
    "NORM": "normal",
    "UNACK": "unacknowledged",
    "ACKED": "acknowledged",
    "RTNUN": "returned, unacknowledged",
    "LUNACK": "latched, unacknowledged",
    "LACKED": "latched, acknowledged",
    "SHLVD": "shelved",
    "DSUPR": "suppressed by design",
    "OOSRV": "out of service",
}
"""ISA-18.2 / IEC 62682 states in words."""
KEY_VALUES = (
    ("dew_point_margin", "Dew-point margin"),
    ("reboiler_temperature", "Reboiler"),
    ("stroke_rate", "Pump strokes"),
    ("circulation_ratio", "Circulation ratio"),
)
"""What tells soonest whether a unit is well: name and how it is called on a page."""
FORECASTS = defaultdict(
    str, {"dew_point_margin": "margin_time_to_limit", "reboiler_temperature": "reboiler_time_to_limit"}
)
"""By key value, the result that says when it will reach its limit."""
_SHOWN_AT = {
    "margin_time_to_limit": "dew_point_margin",
    "reboiler_time_to_limit": "reboiler_temperature",
    "time_since_stroke": "stroke_rate",
}
"""Where the alarm of a value that has no place of its own in the flow picture is shown."""


@dataclass(frozen=True, slots=True)
class UnitModel:
    """One unit as a page shows it."""

    unit: DehydrationUnit
    title: str
    view: UnitView | None
    """None before the first scan."""
    values: Mapping[str, ValueView]
    """By name; where a signal and a result share one, the result, which is made from the signal."""
    signals: Mapping[str, ValueView]
    bands: Mapping[str, Band]
    alarms: tuple[AlarmView, ...]
    """Annunciated ones, the most urgent first."""
    by_input: Mapping[str, AlarmView]
    """The most urgent annunciated alarm of each value."""

    @property
    def worst(self) -> AlarmView | None:
        """The alarm that counts most."""
        return self.alarms[0] if self.alarms else None

    @property
    def causes(self) -> list[CauseView]:
        """Known faults that would explain what moves on this unit while an alarm stands, likeliest first."""
        found = next((alarm.diagnosis for alarm in self.alarms if alarm.diagnosis), [])
        return [cause for cause in found if cause.evidence_for]

    @property
    def bars(self) -> dict[str, Any]:
        """Bands by name, for the script that draws bars and limits."""
        return {
            name: {
                "low": band.low,
                "high": band.high,
                "unit": band.unit,
                "normal": [band.normal_low, band.normal_high],
                "limits": [
                    {"side": one.side, "at": one.at, "text": one.text, "priority": one.priority,
                     "title": one.title}
                    for one in band.limits
                ],
            }
            for name, band in self.bands.items()
        }  # fmt: skip


class Models:
    """Builds what the pages show.

    Parameters
    ----------
    daemon : Daemon
        The running daemon.
    views : Views
        How values are shown.
    """

    def __init__(self, daemon: Daemon, views: Views) -> None:
        self._daemon = daemon
        self._views = views
        self._context = unit_context(daemon.site)
        self._zone = zone_named(daemon.site.site.time_zone)

    def unit(self, scanner: UnitScanner) -> UnitModel:
        """Show one unit."""
        snapshots = scanner.monitor.alarms()
        view = None if scanner.latest is None else self._views.unit(scanner.unit, scanner.latest)
        shown = [
            (one.alarm.input, alarm_view(scanner.unit.name, one, self._views))
            for one in snapshots
            if one.state.annunciated
        ]
        ranked = most_urgent_first(alarm for _, alarm in shown)
        order = {alarm.alarm: position for position, alarm in enumerate(ranked)}
        by_input: dict[str, AlarmView] = {}
        for name, alarm in sorted(shown, key=lambda pair: order[pair[1].alarm]):
            by_input.setdefault(_SHOWN_AT.get(name, name), alarm)
        signals = {} if view is None else {value.name: value for value in view.signals}
        results = {} if view is None else {value.name: value for value in view.results}
        return UnitModel(
            unit=scanner.unit,
            title=scanner.unit.title or scanner.unit.name,
            view=view,
            values=signals | results,
            signals=signals,
            bands=bands(scanner.unit, snapshots, self._views.units, self._context),
            alarms=ranked,
            by_input=by_input,
        )

    def units(self) -> list[UnitModel]:
        """Show every unit, in the order of the site file."""
        return [self.unit(scanner) for scanner in self._daemon.fleet.scanners.values()]

    def alarms(self, *, everything: bool = False) -> tuple[AlarmView, ...]:
        """Return the alarms that are not normal, or all, the most urgent first."""
        return most_urgent_first(
            alarm_view(name, snapshot, self._views)
            for name, holder in self._daemon.alarm_holders().items()
            for snapshot in holder.monitor.alarms()
            if everything or snapshot.state is not AlarmState.NORMAL
        )

    def quantity_text(self, value: float | None, quantity: Quantity) -> str:
        """Write an SI value as this site shows it."""
        return self._views.text(value, quantity)

    def clock(self, time: str) -> str:
        """Write a UTC time in the site's zone; with the day where it is not today's."""
        moment = datetime.datetime.fromisoformat(time).astimezone(self._zone)
        today = datetime.datetime.fromtimestamp(self._daemon.clock.wall(), self._zone).date()
        form = "%H:%M:%S" if moment.date() == today else "%d %b %H:%M"
        return moment.strftime(form)

    def full_time(self, time: str) -> str:
        """Write a UTC time in the site's zone with its day and zone."""
        return datetime.datetime.fromisoformat(time).astimezone(self._zone).strftime("%Y-%m-%d %H:%M:%S %Z")
