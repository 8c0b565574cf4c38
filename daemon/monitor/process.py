"""From checked readings to process results, with the quality of what they rest on.

A result is as good as its worst needed input: a bad one makes it absent, an uncertain one uncertain. An
input that is measured at this site but bad, and for which the calculation has a documented substitute
(saturated gas, barometric pressure plus back-pressure, the design's stripping ratio, strokes for a glycol
meter), makes it uncertain. An input that a site never measured is part of its design and costs only
uncertainty, which the calculation carries.
"""

from __future__ import annotations

import dataclasses
import math
import operator
from collections.abc import Mapping
from typing import Any

from calc import unit as calculation
from calc.errors import CalcError
from calc.needs import rests_on
from calc.readings import INPUTS, Design, Estimate, Readings, Results, Uncertainties
from calc.water import saturated_water_content
from config.alarm_inputs import INPUT_SIGNALS, input_range_writer
from config.site import DehydrationUnit, Site
from config.units import UnitContext, display_units
from daemon.model import Quality, Reading, Result, Status
from daemon.monitor.outlet import CLAUSIUS_CLAPEYRON, OutletEstimate, measured_outlet
from daemon.monitor.purity_correction import PurityCorrection
from daemon.monitor.specs import SignalSpec

SOURCES: Mapping[str, str] = {
    name: signals[0]
    for name, signals in INPUT_SIGNALS.items()
    if name not in {"stroke_rate", "lean_glycol_rate", "outlet_water_content"}
}
"""Signal that each input of the calculation comes from; glycol rate and outlet have their own ways."""

SUBSTITUTES: Mapping[str, str] = {
    "inlet_water_content": "gas taken as saturated",
    "reboiler_pressure": "barometric pressure plus still back-pressure taken",
    "stripping_gas_rate": "the design's stripping gas taken",
}
"""Inputs that the calculation can do without, and what it takes instead."""

OPTIONAL = frozenset({"lean_glycol_temperature", "outlet_water_content"})
"""Inputs without which a site has fewer results, and misses none that it could have."""


@dataclasses.dataclass(slots=True)
class _Inputs:
    """Values for the calculation and, by input, what is wrong with them."""

    values: dict[str, float]
    bad: dict[str, str]
    uncertain: dict[str, tuple[Status, str]]


class ProcessCalculation:
    """The process results of one unit, scan by scan."""

    def __init__(self, site: Site, unit: DehydrationUnit, specs: Mapping[str, SignalSpec]) -> None:
        self.design = design_of(site, unit)
        context = UnitContext(site.site.barometric_pressure, site.site.gas_base)
        self._write_range = input_range_writer(display_units(site.site.unit_system, context))
        self._uncertainties = _uncertainties(specs)
        self._with_stroke_rate = self._uncertainties
        self._own = {name: spec.uncertainty for name, spec in specs.items()}
        self._measured = frozenset(specs)
        self._has_analyzer = bool(self._measured & {"outlet_water_content", "outlet_dew_point"})
        self._outlet = OutletEstimate()
        self.purity = PurityCorrection(unit, self.design)
        self.recalculated = 0.0
        """By how much the last sample made the calculated dew point of this scan higher [K]; else zero."""
        self._last: tuple[dict[str, float], Uncertainties, Design, Results] | None = None
        self._needs_measured = self._needs_here(inlet_measured=True)
        self._needs_saturated = self._needs_here(inlet_measured=False)
        self._estimates = operator.attrgetter(*self._needs_saturated)

    def _needs_here(self, *, inlet_measured: bool) -> dict[str, tuple[str, ...]]:
        """Leave out what this site does not measure and the calculation can do without."""
        given = {name for name, source in SOURCES.items() if source in self._measured}
        if self._has_analyzer:
            given.add("outlet_water_content")
        stripped = "stripping_gas_rate" in given or self.design.stripping_gas_ratio > 0.0
        found = {
            name: tuple(source for source in sources if source in given or source not in SUBSTITUTES)
            for name, sources in rests_on(stripped=stripped, inlet_measured=inlet_measured).items()
            if given.issuperset(OPTIONAL.intersection(sources))
        }
        if self.design.limit_pressure is not None:
            found["limit_dew_point"] = ()
        return found

    def results(
        self,
        signals: Mapping[str, Reading],
        stroke_rate: Result,
        now: float,
        *,
        time: float,
        drying: bool,
        circulating: bool,
    ) -> dict[str, Result]:
        """Calculate everything from one scan.

        Parameters
        ----------
        signals : mapping
            Checked readings by signal name.
        stroke_rate : Result
            From the stroke estimate.
        now : float
            On the monitor's time line [s].
        time : float
            POSIX seconds.
        drying : bool
            Whether the unit dries gas, so that an analyzer may teach the calculation.
        circulating : bool
            Whether glycol goes round, so that a sample of it is what the reboiler makes.
        """
        self.purity.refresh(time)
        inputs = self._inputs(signals, stroke_rate)
        limit_pressure = self.design.limit_pressure or inputs.values["gas_pressure"]
        measured = None
        if self._has_analyzer:
            measured = measured_outlet(signals, self._own, inputs.values["gas_pressure"], limit_pressure)
            if measured is None or isinstance(measured, str):
                inputs.bad["outlet_water_content"] = measured or "no analyzer"
            else:
                inputs.values["outlet_water_content"] = measured.content
                if measured.quality is not Quality.GOOD:
                    inputs.uncertain["outlet_water_content"] = (
                        Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED,
                        f"analyzer: {measured.reason}",
                    )
        uncertainties = self._with_strokes(stroke_rate)
        try:
            found = self._evaluated(inputs.values, uncertainties)
        except CalcError as error:
            absent = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, str(error))
            return dict.fromkeys(self._needs_saturated, absent)
        results = self._judged(found, inputs)
        results |= self.purity.watch(results["lean_mass_fraction"], now, time, circulating=circulating)
        self.recalculated = self.purity.step(inputs.values, uncertainties, found)
        self._outlet.recalculated(self.recalculated)
        results["calculated_dew_point"] = results["outlet_dew_point"]
        if self._has_analyzer:
            outlet = self._outlet.combine(results["outlet_dew_point"], measured, now, learn=drying)
            if measured is not None and not isinstance(measured, str):
                results["measured_dew_point"] = Result(
                    measured.dew_point,
                    measured.uncertainty,
                    *inputs.uncertain.get("outlet_water_content", (Status.GOOD, "")),
                )
            bias = self._outlet.bias(now)
            if bias is not None:
                results["dew_point_bias"] = bias
            if outlet is not results["outlet_dew_point"]:
                _replace_outlet(results, outlet, limit_pressure, self.design.limit_water_content)
        return results

    def _evaluated(self, values: dict[str, float], uncertainties: Uncertainties) -> Results:
        """Calculate, or take what came of the very same readings: slow controllers repeat themselves."""
        last, design = self._last, self.purity.design
        # An absent input is always the same NaN, which a dictionary takes as equal to itself.
        if last is None or last[0] != values or last[1] is not uncertainties or last[2] is not design:
            found = calculation.evaluate(Readings(**values), design, uncertainties)
            self._last = last = values, uncertainties, design, found
        return last[3]

    def _inputs(self, signals: Mapping[str, Reading], stroke_rate: Result) -> _Inputs:
        inputs = _Inputs(dict.fromkeys(INPUTS, math.nan), {}, {})
        for name, source in SOURCES.items():
            reading = signals.get(source)
            if reading is None:
                if name not in SUBSTITUTES and name not in OPTIONAL:
                    inputs.bad[name] = f"{source} is not measured"
                continue
            value = reading.usable
            if value is not None:
                # A gas meter that reads a little below zero says that nothing flows.
                inputs.values[name] = max(value, 0.0) if name == "gas_rate" else value
                if reading.quality is Quality.UNCERTAIN:
                    reason = f"{source}: {reading.reason}"
                    inputs.uncertain[name] = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED, reason
            elif name in SUBSTITUTES:
                reason = f"{source} is bad ({reading.reason}): {SUBSTITUTES[name]}"
                inputs.uncertain[name] = Status.UNCERTAIN_SUBSTITUTE_VALUE, reason
            else:
                inputs.bad[name] = f"{source} is bad: {reading.reason}"
        self._glycol_rate(signals, stroke_rate, inputs)
        return inputs

    def _glycol_rate(self, signals: Mapping[str, Reading], stroke_rate: Result, inputs: _Inputs) -> None:
        """Take the glycol meter where there is one, else the strokes."""
        meter = signals.get("lean_glycol_rate")
        strokes = stroke_rate.usable
        if strokes is not None:
            inputs.values["stroke_rate"] = strokes
        if meter is not None and meter.usable is not None:
            inputs.values["lean_glycol_rate"] = meter.usable
            if meter.quality is Quality.UNCERTAIN:
                reason = f"lean_glycol_rate: {meter.reason}"
                inputs.uncertain["stroke_rate"] = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED, reason
        elif strokes is None:
            inputs.bad["stroke_rate"] = f"stroke_rate is bad: {stroke_rate.reason}"
        elif meter is not None:
            reason = f"lean_glycol_rate is bad ({meter.reason}): taken from the strokes"
            inputs.uncertain["stroke_rate"] = Status.UNCERTAIN_SUBSTITUTE_VALUE, reason
        elif stroke_rate.quality is Quality.UNCERTAIN:
            reason = f"stroke_rate: {stroke_rate.reason}"
            inputs.uncertain["stroke_rate"] = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED, reason

    def _with_strokes(self, stroke_rate: Result) -> Uncertainties:
        """Add the stroke rate's own uncertainty to that of the pump's volume."""
        if not stroke_rate.value or not stroke_rate.uncertainty or "lean_glycol_rate" in self._measured:
            return self._uncertainties
        relative = math.hypot(
            self._uncertainties.circulation_rate, stroke_rate.uncertainty / stroke_rate.value
        )
        if relative != self._with_stroke_rate.circulation_rate:  # it changes with strokes, not with scans
            self._with_stroke_rate = dataclasses.replace(self._uncertainties, circulation_rate=relative)
        return self._with_stroke_rate

    def _judged(self, found: Results, inputs: _Inputs) -> dict[str, Result]:
        """Give every estimate its status and reason."""
        results: dict[str, Result] = {}
        extrapolated = int(found.extrapolated)
        troubled = bool(inputs.bad or inputs.uncertain or extrapolated)
        estimates: tuple[Estimate, ...] = self._estimates(found)
        status, reason = Status.GOOD, ""
        saturated = math.isnan(inputs.values["inlet_water_content"])
        rests_on = self._needs_saturated if saturated else self._needs_measured
        for (name, sources), estimate in zip(rests_on.items(), estimates, strict=True):
            value, uncertainty = float(estimate.value), float(estimate.uncertainty)
            if troubled:
                status, reason = _worst(sources, inputs, extrapolated)
            if status.quality is Quality.BAD:
                results[name] = Result(None, None, status, reason)
            elif value != value:  # noqa: PLR0124 - NaN, at a third of the cost of a call
                idle = "gas_rate" in sources and inputs.values["gas_rate"] == 0.0
                why = "no gas flows" if idle else calculation.reason(found, name, write=self._write_range)
                why = why or "it cannot be calculated from these readings"
                results[name] = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, why)
            else:
                known = uncertainty if uncertainty == uncertainty else None  # noqa: PLR0124 - NaN: none
                results[name] = Result(value, known, status, reason)
        return results

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {**self._outlet.save(), "purity": self.purity.save()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a saved state."""
        self._outlet.restore(state)
        if "purity" in state:  # not in what an earlier version saved
            self.purity.restore(state["purity"])


def design_of(site: Site, unit: DehydrationUnit) -> Design:
    """Translate the configured unit for the calculation."""
    contactor, pump, limit = unit.contactor, unit.pump_in_service, site.site.pipeline_limit
    stages = contactor.theoretical_stages
    if stages is None:
        stages = (contactor.trays or 0) * contactor.tray_efficiency
    return Design(
        specific_gravity=unit.gas.specific_gravity,
        theoretical_stages=stages,
        pump_displacement=pump.displacement,
        barometric_pressure=site.site.barometric_pressure,
        limit_water_content=limit.water_content,
        limit_dew_point=limit.dew_point,
        limit_pressure=limit.pressure,
        trays=contactor.trays,
        carbon_dioxide=unit.gas.carbon_dioxide,
        hydrogen_sulfide=unit.gas.hydrogen_sulfide,
        nitrogen=unit.gas.nitrogen,
        still_back_pressure=unit.reboiler.still_back_pressure,
        stripping_gas_ratio=unit.reboiler.stripping_gas_ratio,
        stripping_stages=unit.reboiler.stripping_stages,
        volumetric_efficiency=pump.volumetric_efficiency,
    )


def _uncertainties(specs: Mapping[str, SignalSpec]) -> Uncertainties:
    """Take the configured instrument uncertainties; relative ones are taken at the middle of the range."""
    absolute = {"gas_temperature": "contactor_temperature", "reboiler_temperature": "reboiler_temperature"}
    absolute["reboiler_pressure"] = "still_pressure"
    relative = {
        "gas_pressure": "contactor_pressure",
        "gas_rate": "gas_rate",
        "circulation_rate": "lean_glycol_rate",
        "inlet_water_content": "inlet_water_content",
        "outlet_water_content": "outlet_water_content",
    }
    found: dict[str, float] = {}
    for name, source in absolute.items():
        if source in specs and specs[source].uncertainty is not None:
            found[name] = specs[source].uncertainty or 0.0
    for name, source in relative.items():
        spec = specs.get(source)
        if spec is not None and spec.uncertainty is not None and spec.range is not None:
            middle = 0.5 * (abs(spec.range[0]) + abs(spec.range[1]))
            if middle > 0.0:
                found[name] = spec.uncertainty / middle
    return Uncertainties(**found)


def _worst(sources: tuple[str, ...], inputs: _Inputs, extrapolated: int) -> tuple[Status, str]:
    for source in sources:
        if source in inputs.bad:
            return Status.BAD_DEPENDENT_VALUE_CHANGED, inputs.bad[source]
    for source in sources:
        if source in inputs.uncertain:
            return inputs.uncertain[source]
    if extrapolated:
        if extrapolated >> INPUTS.index("lean_glycol_rate") & 1:
            extrapolated |= 1 << INPUTS.index("stroke_rate")
        for source in sources:
            if extrapolated >> INPUTS.index(source) & 1:
                return Status.UNCERTAIN_SUB_NORMAL, f"{source} is outside the range of checked data"
    return Status.GOOD, ""


def _replace_outlet(
    results: dict[str, Result], outlet: Result, limit_pressure: float, limit_content: float | None
) -> None:
    """Carry a better outlet dew point into the content, the margins and the probability."""
    results["outlet_dew_point"] = outlet
    limit = results["limit_dew_point"]
    names = ("outlet_water_content", "dew_point_margin", "water_content_margin", "probability_over_limit")
    if outlet.value is None or outlet.uncertainty is None or limit.value is None:
        worse = outlet if outlet.value is None else limit
        for name in names:
            results[name] = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, worse.reason)
        return
    margin = limit.value - outlet.value
    probability = 0.5 * math.erfc(margin / (outlet.uncertainty * math.sqrt(2.0)))
    try:
        content = float(saturated_water_content(outlet.value, limit_pressure))
        if limit_content is None:
            limit_content = float(saturated_water_content(limit.value, limit_pressure))
    except CalcError as error:
        for name in names[:3:2]:
            results[name] = Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, str(error))
    else:
        content_uncertainty = content * outlet.uncertainty * CLAUSIUS_CLAPEYRON / outlet.value**2
        results[names[0]] = Result(content, content_uncertainty, outlet.status, outlet.reason)
        results[names[2]] = Result(limit_content - content, content_uncertainty, outlet.status, outlet.reason)
    results[names[1]] = Result(margin, outlet.uncertainty, outlet.status, outlet.reason)
    results[names[3]] = Result(probability, None, outlet.status, outlet.reason)
