"""One evaluation of a unit for people: from texts with units to a report with path, doubt, cautions. Pure."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass

from calc.errors import CalcError
from calc.readings import INPUTS
from calc.reboiler import DEGRADATION_TEMPERATURE, RECOMMENDED_MAXIMUM_TEMPERATURE
from calc.unit import USABLE, Design, Readings, Results, Uncertainties, evaluate, reason
from calc.water_methods import acid_gas_caution
from config.alarm_inputs import INPUT_QUANTITIES, input_range_writer
from config.loader import barometric_pressure
from config.quantities import RESULT_KINDS, Quantity
from config.units import DisplayUnit, UnitContext, UnitError, display_units, parse_quantity

DESIGN_KINDS: dict[str, Quantity] = {
    "specific_gravity": Quantity.NUMBER,
    "theoretical_stages": Quantity.NUMBER,
    "pump_displacement": Quantity.VOLUME,
    "barometric_pressure": Quantity.PRESSURE,
    "limit_water_content": Quantity.WATER_CONTENT,
    "limit_dew_point": Quantity.TEMPERATURE,
    "limit_pressure": Quantity.PRESSURE,
    "trays": Quantity.NUMBER,
    "carbon_dioxide": Quantity.FRACTION,
    "hydrogen_sulfide": Quantity.FRACTION,
    "nitrogen": Quantity.FRACTION,
    "still_back_pressure": Quantity.PRESSURE_DIFFERENCE,
    "stripping_gas_ratio": Quantity.GAS_LIQUID_RATIO,
    "stripping_stages": Quantity.NUMBER,
    "volumetric_efficiency": Quantity.NUMBER,
    "lean_water_factor": Quantity.NUMBER,
    "lean_water_factor_uncertainty": Quantity.FRACTION,
}
STANDING_CAUTIONS = (
    "A calculation, no measurement and no safety system: it replaces no shutdown, no analyzer and no sample.",
    "Hot glycol burns; the still vents flammable gas. Site procedures, local codes, licensed practice first.",
)


@dataclass(frozen=True, slots=True)
class Line:
    """One result: value and one standard deviation in SI, ``None`` with a remark where absent."""

    name: str
    description: str
    quantity: Quantity
    value: float | None
    uncertainty: float | None
    how: str
    remark: str


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one source alone does to the dew-point margin [K], and its share of the variance."""

    source: str
    effect: float
    share: float


@dataclass(frozen=True, slots=True)
class EvaluationReport:
    """All results in the order of the calculation, what makes the margin uncertain, what to mind."""

    lines: tuple[Line, ...]
    contributions: tuple[Contribution, ...]
    cautions: tuple[str, ...]

    @property
    def judged(self) -> bool:
        """Whether there is a margin to the limit at all."""
        return next(line.value for line in self.lines if line.name == "dew_point_margin") is not None

    @property
    def over_limit(self) -> bool:
        """Whether the outlet is calculated wetter than the limit."""
        margin = next(line.value for line in self.lines if line.name == "dew_point_margin")
        return margin is not None and margin < 0.0


def read_values(texts: Mapping[str, str], gas_base: str) -> tuple[Readings, Design]:
    """Read names with values and units, as ``{"gas_temperature": "100 degF"}``, into readings and design.

    ``elevation`` may stand in place of ``barometric_pressure``; without either, sea level is taken.

    Raises
    ------
    CalcError
        An unknown name, a value without a unit or of another kind, or a value that is needed and missing.
    """
    kinds = {**INPUT_QUANTITIES, **DESIGN_KINDS, "elevation": Quantity.LENGTH}
    for name in texts:
        if name not in kinds:
            close = difflib.get_close_matches(name, kinds, n=1)
            hint = f"; did you mean {close[0]}?" if close else f"; known are: {', '.join(kinds)}"
            raise CalcError(f"{name} is no reading and nothing of a design{hint}")
    context = UnitContext(gas_base=gas_base)

    def read(name: str) -> float:
        try:
            return parse_quantity(texts[name], kinds[name], context)
        except UnitError as error:
            raise CalcError(f"{name}: {error}") from error

    if {"elevation", "barometric_pressure"} <= set(texts):
        raise CalcError("elevation and barometric_pressure are both given; give one")
    if "barometric_pressure" in texts:  # first: gauge pressures count from it
        context = UnitContext(read("barometric_pressure"), gas_base)
    elif "elevation" in texts:
        context = UnitContext(barometric_pressure(read("elevation")), gas_base)
    values: dict[str, float] = {"barometric_pressure": context.barometric_pressure}
    values |= {name: read(name) for name in texts if name != "elevation"}
    needed = {f.name for f in dataclasses.fields(Design) if f.default is dataclasses.MISSING}
    if lacking := sorted(needed - set(values)):
        raise CalcError(f"the design lacks {', '.join(lacking)}")
    trays = int(values.pop("trays")) if "trays" in values else None
    readings = {name: values.get(name, math.nan) for name in INPUT_QUANTITIES}
    design = {name: values[name] for name in DESIGN_KINDS if name in values}
    return Readings(**readings), Design(**design, trays=trays)


def report(
    readings: Readings,
    design: Design,
    sd: Uncertainties = Uncertainties(),  # noqa: B008 - frozen
    units: Mapping[Quantity, DisplayUnit] | None = None,
) -> EvaluationReport:
    """Evaluate one set of readings and say where each result comes from.

    Parameters
    ----------
    readings, design, sd
        As for ``calc.unit.evaluate``.
    units : mapping, optional
        How quantities are written in remarks and cautions; SI without.

    Raises
    ------
    CalcError
        A design with which nothing can be calculated.
    """
    results = evaluate(readings, design, sd)
    units = units or display_units("si", UnitContext(design.barometric_pressure))
    given = {name for name in INPUTS if not math.isnan(float(getattr(readings, name)))}
    refused = {name for bit, name in enumerate(INPUTS) if int(results.out_of_range) >> bit & 1}
    how = _how(given - refused, design)

    write = input_range_writer(units)
    lines = []
    for name, equation in how.items():
        estimate, kind = getattr(results, name), RESULT_KINDS[name]
        lines.append(
            Line(
                name,
                kind.description,
                kind.quantity,
                _number(estimate.value),
                _number(estimate.uncertainty),
                equation,
                reason(results, name, write=write),
            )
        )
    return EvaluationReport(
        tuple(lines),
        tuple(_contributions(results)),
        (
            *(
                f"{name} is outside {write(name, USABLE[name])} and was not used"
                for name in INPUTS
                if name in refused
            ),
            *_cautions(readings, design, results, units),
            *STANDING_CAUTIONS,
        ),
    )


def _number(value: object) -> float | None:
    number = float(value)  # type: ignore[arg-type]  # a single set of readings gives floats
    return None if math.isnan(number) else number


def _how(measured: Set[str], design: Design) -> dict[str, str]:
    """Say by which equation each result comes, in the order of the calculation."""
    stripping = "stripping_gas_rate" in measured or design.stripping_gas_ratio > 0.0
    boiling = "bubble point of the glycol (UNIQUAC)" + (", stripping gas (Kremser)" if stripping else "")
    return {
        "circulation_rate": "measured" if "lean_glycol_rate" in measured else "strokes x volume x efficiency",
        "compressibility": "Dranchuk and Abou-Kassem (1975), Sutton's pseudo-criticals",
        "saturated_water_content": "ASTM D1142 form, liquid basis",
        "inlet_water_content": "measured" if "inlet_water_content" in measured else "taken as saturated",
        "water_load": "gas rate x inlet content",
        "lean_mass_fraction": "laboratory" if "lean_mass_fraction" in measured else boiling,
        "equilibrium_dew_point": "water activity of the lean glycol (UNIQUAC) at the limit's pressure",
        "outlet_water_content": f"Kremser with {design.theoretical_stages:g} stages",
        "water_removed": "gas rate x (inlet - outlet content)",
        "circulation_ratio": "circulation / water removed",
        "rich_mass_fraction": "water balance",
        "outlet_dew_point": "ASTM D1142 form, at the limit's pressure",
        "limit_dew_point": "ASTM D1142 form, at the limit's pressure"
        if design.limit_water_content
        else "given",
        "dew_point_margin": "limit - outlet",
        "water_content_margin": "limit - outlet",
        "probability_over_limit": "normal distribution of the margin",
        "required_circulation_rate": "Kremser solved for the glycol",
        "required_stroke_rate": "circulation / (volume x efficiency)",
        "reboiler_duty": "sensible, latent, reflux and losses, 300 degF preheat",
        "hydrate_temperature": "Towler and Mokhatab (2005), by gravity",
        "lean_approach_temperature": "lean glycol - gas",
        "inferred_stages": "Kremser solved for the stages",
        "inferred_tray_efficiency": "stages / trays",
    }


def _contributions(results: Results) -> Iterator[Contribution]:
    variances = {name: float(value) for name, value in results.margin_variances.items() if value > 0.0}
    total = math.fsum(variances.values())
    for source in sorted(variances, key=variances.__getitem__, reverse=True):
        yield Contribution(source, math.sqrt(variances[source]), variances[source] / total)


def _cautions(
    readings: Readings, design: Design, results: Results, units: Mapping[Quantity, DisplayUnit]
) -> Iterator[str]:
    reboiler = float(readings.reboiler_temperature)
    temperature, difference = units[Quantity.TEMPERATURE], units[Quantity.TEMPERATURE_DIFFERENCE]
    if reboiler > DEGRADATION_TEMPERATURE:
        yield f"The reboiler is above {temperature.format(DEGRADATION_TEMPERATURE)}: the glycol breaks down."
    elif reboiler > RECOMMENDED_MAXIMUM_TEMPERATURE:
        highest = temperature.format(RECOMMENDED_MAXIMUM_TEMPERATURE)
        yield f"The reboiler is above the recommended maximum of {highest}."
    if (margin := float(results.dew_point_margin.value)) < 0.0:
        yield f"The outlet is calculated {difference.format(-margin)} wetter than the limit."
    elif float(results.probability_over_limit.value) > 0.1:
        yield f"Probability that the limit is exceeded: {100 * results.probability_over_limit.value:.0f} %."
    if float(readings.gas_temperature) < float(results.hydrate_temperature.value):
        yield "The gas is colder than its hydrate temperature: with free water, hydrate can form."
    if math.isnan(float(readings.inlet_water_content)):
        yield "The wet gas is taken as saturated in the contactor; a leaking inlet separator brings more."
    if word := acid_gas_caution(design.carbon_dioxide, design.hydrogen_sulfide):
        yield word
    if design.barometric_pressure == UnitContext().barometric_pressure:
        yield "The barometric pressure is taken as that at sea level; higher up glycol boils drier."
    yield "Dew points are over liquid water, also below 0 °C: ice or hydrate appear at a higher temperature."
