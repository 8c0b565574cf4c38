"""From the daemon's SI values to what people and programs read: pure, in the site's display units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from config.loader import unit_context
from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.site import DehydrationUnit, Site
from config.units import DisplayUnit, display_units
from daemon.model import AlarmTransition, LikelyCause, Link, Outcome, Reading, Result
from daemon.times import rfc3339
from daemon.web.schemas import CauseView, LinkView, SiteView, TransitionView, UnitNames, UnitView, ValueView

ABSENT = "–"
"""Shown for a bad value: never a blank, never a zero."""


class Views:
    """Builds views for one site."""

    def __init__(self, site: Site) -> None:
        self.units: Mapping[Quantity, DisplayUnit] = display_units(site.site.unit_system, unit_context(site))
        self._configured = {unit.name: unit for unit in site.units}

    def live(self, outcome: Outcome) -> UnitView:
        """Show the unit that an outcome belongs to."""
        return self.unit(self._configured[outcome.unit], outcome)

    def unit(self, unit: DehydrationUnit, outcome: Outcome) -> UnitView:
        """Show a unit as of one outcome."""
        return UnitView(
            name=unit.name,
            title=unit.title or unit.name,
            state=outcome.state.value,
            time=rfc3339(outcome.time),
            sequence=outcome.sequence,
            scan_period=unit.scan_period,
            # Just after a reload the last outcome may have a signal that the configuration has not, or the
            # other way round.
            signals=[
                self._signal(unit, name, value, outcome)
                for name, value in outcome.signals.items()
                if name in unit.signals
            ],
            results=[self._result(name, value, outcome) for name, value in outcome.results.items()],
        )

    def transition(self, step: AlarmTransition) -> TransitionView:
        """Show one step of an alarm's life."""
        quantity = Quantity(step.quantity) if step.quantity else None
        return TransitionView(
            unit=step.unit,
            alarm=step.alarm,
            occurrence=step.occurrence,
            previous=step.previous.value,
            state=step.state.value,
            event=step.event,
            time=rfc3339(step.time),
            priority=step.priority.value,
            message=step.message,
            reason=step.reason,
            value=self.text(step.value, quantity),
            setpoint=self.text(step.setpoint, quantity),
            actor=step.actor,
            comment=step.comment,
            first_out=step.first_out,
            alarm_class=step.alarm_class,
            likely_causes=[cause_view(cause) for cause in step.causes],
        )

    def write(self, quantity: Quantity, si: float) -> str:
        """Write an SI value of a quantity as the site shows it."""
        return self.units[quantity].format(si)

    def text(self, value: float | None, quantity: Quantity | None) -> str:
        """Write an SI value as it is shown; empty where it has no meaning."""
        if value is None or quantity is None:
            return ""
        return self.units[quantity].format(value)

    def _signal(self, unit: DehydrationUnit, name: str, reading: Reading, outcome: Outcome) -> ValueView:
        kind = SIGNAL_KINDS.get(name)
        configured = unit.signals[name]
        quantity = kind.quantity if kind else configured.quantity
        description = configured.description or (kind.description if kind else name)
        return self._value("signal", name, description, quantity, reading, outcome, reading.time)

    def _result(self, name: str, result: Result, outcome: Outcome) -> ValueView:
        kind = RESULT_KINDS[name]
        return self._value("result", name, kind.description, kind.quantity, result, outcome, None)

    def _value(
        self,
        kind: Literal["signal", "result"],
        name: str,
        description: str,
        quantity: Quantity | None,
        value: Reading | Result,
        outcome: Outcome,
        source_time: float | None,
    ) -> ValueView:
        shown = self.units[quantity or Quantity.NUMBER]
        usable = value.usable
        uncertainty = value.uncertainty if isinstance(value, Result) and usable is not None else None
        return ValueView(
            name=name,
            description=description,
            kind=kind,
            quantity=(quantity or Quantity.NUMBER).value,
            value=None if usable is None else shown.conversion.from_si(usable),
            unit=shown.symbol,
            text=ABSENT if usable is None else shown.format(usable),
            uncertainty=None if uncertainty is None else abs(uncertainty / shown.conversion.factor),
            quality=("good", "uncertain", "bad")[value.quality],
            status=value.status.opc_ua_name,
            reason=value.reason,
            time=rfc3339(outcome.time if source_time is None else source_time),
            age=None if source_time is None else round(outcome.time - source_time, 3),
        )


def cause_view(cause: LikelyCause) -> CauseView:
    """Show one known fault that would explain what moves."""
    return CauseView(
        fault=cause.fault,
        share=round(cause.share, 3),
        evidence_for=list(cause.evidence_for),
        evidence_against=list(cause.evidence_against),
        unknown=list(cause.unknown),
        check=cause.check,
    )


def site_view(site: Site, views: Views) -> SiteView:
    """Show what a site is called and how it shows values."""
    info, limit = site.site, site.site.pipeline_limit
    if limit.water_content is not None:
        shown = views.text(limit.water_content, Quantity.WATER_CONTENT)
    else:
        pressure = views.text(limit.pressure, Quantity.PRESSURE)
        shown = f"{views.text(limit.dew_point, Quantity.TEMPERATURE)} at {pressure}"
    return SiteView(
        name=info.name,
        title=info.title or info.name,
        time_zone=info.time_zone,
        unit_system=info.unit_system,
        pipeline_limit=shown,
        units=[UnitNames(name=unit.name, title=unit.title or unit.name) for unit in site.units],
        measures={quantity.value: measure.symbol for quantity, measure in views.units.items()},
    )


def link_view(controller: str, link: Link, now: float) -> LinkView:
    """Show a connection as of monotonic time ``now``."""
    return LinkView(
        controller=controller,
        state=link.state.value,
        reason=link.reason,
        seconds_since_good=round(now - link.last_good, 3) if math.isfinite(link.last_good) else None,
    )
