"""From a gas and a limit to the glycol pump that suits: a pure calculation with path, doubt and cautions."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from calc.absorber import required_glycol_rate
from calc.drive_gas import drive_gas, drive_gas_ratio
from calc.errors import CalcError, NotConvergedError
from calc.gas import compressibility
from calc.hydrate import hydrate_margin
from calc.pump import Fit, PumpDesign, PumpFit, suitable_pumps
from calc.sizing import CirculationNeed, circulation_need
from calc.water_methods import acid_gas_caution, relative_uncertainty
from config.quantities import Quantity

STANDING_CAUTIONS = (
    "A sizing aid, no design: licensed engineering, site procedures and local codes come first.",
    "Hot glycol burns; the still vents flammable gas. Change pumps and rates by the site's procedure only.",
)


@dataclass(frozen=True, slots=True)
class Load:
    """One state of the gas that the pump must serve: temperature [K] and rate [standard m3/s]."""

    temperature: float
    rate: float


@dataclass(frozen=True, slots=True)
class SizingRequest:
    """What is known; SI, absolute pressures."""

    highest: Load
    lowest: Load
    pressure: float
    limit_water_content: float
    circulation_ratio: float
    specific_gravity: float
    carbon_dioxide: float
    hydrogen_sulfide: float
    design_stroke_rate: float
    return_pressure: float
    barometric_pressure: float
    lean_mass_fraction: float | None = None
    stages: float = 2.0
    volumetric_efficiency: float = 0.95
    pumps: tuple[PumpDesign, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the path: what, how much (SI), how sure (one standard deviation), by which equation."""

    name: str
    quantity: Quantity
    value: float
    uncertainty: float | None
    how: str


@dataclass(frozen=True, slots=True)
class SizingReport:
    """The path of the calculation, the pumps in order of suitability, and what to mind."""

    steps: tuple[Step, ...]
    fits: tuple[PumpFit, ...]
    cautions: tuple[str, ...]
    reachable: bool = True
    """Whether glycol of the purity named reaches the limit at any rate."""

    @property
    def served(self) -> bool:
        """Whether the limit can be reached and a pump, if any was named, carries the highest load."""
        return self.reachable and (not self.fits or any(each.fit is not Fit.TOO_SMALL for each in self.fits))


def size(request: SizingRequest) -> SizingReport:
    """Work out the circulation that the loads need and judge the pumps against it.

    Raises
    ------
    CalcError
        A gas, limit or ratio outside what the correlations cover, or loads in the wrong order.
    """
    needs = [_need(request, load) for load in (request.lowest, request.highest)]
    low, high = (float(need.circulation_rate) for need in needs)
    if high <= 0.0:
        raise CalcError("the gas is already drier than the limit: no glycol is needed, no pump can be sized")
    if low > high:
        raise CalcError("the lowest load needs more glycol than the highest; exchange the two")
    by_trays = _by_trays(request)
    design = max(high, by_trays) if by_trays is not None and math.isfinite(by_trays) else high
    fits = tuple(suitable_pumps(request.pumps, low if low > 0.0 else design, design)) if request.pumps else ()
    steps = tuple(_steps(request, needs, by_trays, design))
    return SizingReport(
        steps,
        fits,
        (*_cautions(request, steps, by_trays), *STANDING_CAUTIONS),
        reachable=by_trays is None or math.isfinite(by_trays),
    )


def _need(request: SizingRequest, load: Load) -> CirculationNeed:
    return circulation_need(
        load.temperature,
        request.pressure,
        load.rate,
        request.limit_water_content,
        circulation_ratio=request.circulation_ratio,
    )


def _by_trays(request: SizingRequest) -> float | None:
    """Return the rate that the contactor's equation asks for; infinite where this glycol cannot do it."""
    if request.lean_mass_fraction is None:
        return None
    try:
        return float(
            required_glycol_rate(
                request.highest.temperature,
                request.pressure,
                request.highest.rate,
                request.lean_mass_fraction,
                request.stages,
                request.limit_water_content,
            )
        )
    except NotConvergedError:
        return math.inf


def _content_uncertainty(request: SizingRequest) -> float | None:
    try:
        return float(
            relative_uncertainty(request.highest.temperature, request.pressure, request.specific_gravity)
        )
    except CalcError:
        return (
            None  # outside the range of the second method there is no spread to judge by; a caution says so
        )


def _steps(
    request: SizingRequest, needs: list[CirculationNeed], by_trays: float | None, design: float
) -> Iterator[Step]:
    low, high = needs
    wet, removed, rate = (
        float(value) for value in (high.inlet_water_content, high.water_removed, high.circulation_rate)
    )
    doubt = _content_uncertainty(request)
    spread = None if doubt is None else doubt * wet * request.highest.rate
    content, glycol = Quantity.WATER_CONTENT, Quantity.LIQUID_RATE
    yield Step(
        "water in the wet gas", content, wet, None if doubt is None else doubt * wet, "saturated, ASTM D1142"
    )
    yield Step("water that may stay", content, request.limit_water_content, None, "the limit")
    yield Step("water to remove", Quantity.MASS_RATE, removed, spread, "gas rate x (in - out), highest load")
    yield Step(
        "circulation at the highest load",
        glycol,
        rate,
        None if spread is None else spread * request.circulation_ratio,
        "water x circulation ratio",
    )
    if by_trays is not None and math.isfinite(by_trays):
        how = f"Kremser, {request.stages:g} stages"
        yield Step("the same by the contactor's equation", glycol, by_trays, None, how)
    yield Step(
        "circulation at the lowest load",
        glycol,
        float(low.circulation_rate),
        None,
        "water x circulation ratio",
    )
    displacement = design / (request.design_stroke_rate * request.volumetric_efficiency)
    yield Step(
        "displacement a stroke",
        Quantity.VOLUME,
        displacement,
        None,
        f"circulation / ({60 * request.design_stroke_rate:g} /min x {request.volumetric_efficiency:g})",
    )
    yield from _drive_gas(request, design)


def _drive_gas(request: SizingRequest, design: float) -> Iterator[Step]:
    z = compressibility(
        request.highest.temperature,
        request.pressure,
        request.specific_gravity,
        carbon_dioxide=request.carbon_dioxide,
        hydrogen_sulfide=request.hydrogen_sulfide,
    )
    try:
        ratio = drive_gas_ratio(
            request.highest.temperature,
            request.pressure,
            z,
            return_pressure=request.return_pressure,
            suction_pressure=request.barometric_pressure,
        )
        spent = drive_gas(design, ratio)
    except CalcError:
        return  # a caution says so
    how = "balance of work, where an energy-exchange pump is used"
    yield Step("drive gas per glycol", Quantity.GAS_LIQUID_RATIO, float(ratio), 0.2 * float(ratio), how)
    rate = float(spent.gas_rate)
    yield Step("drive gas", Quantity.GAS_RATE, rate, 0.2 * rate, "the same x circulation")
    methane = float(spent.methane_rate)
    yield Step("methane in it", Quantity.MASS_RATE, methane, 0.2 * methane, "at 90 mol % methane")


def _cautions(request: SizingRequest, steps: tuple[Step, ...], by_trays: float | None) -> Iterator[str]:
    found = {step.name: step.value for step in steps}
    low, high = (found[f"circulation at the {which} load"] for which in ("lowest", "highest"))
    if caution := acid_gas_caution(request.carbon_dioxide, request.hydrogen_sulfide):
        yield caution
    if _content_uncertainty(request) is None:
        yield "No second method covers this temperature and pressure: the water content has no stated doubt."
    if by_trays is None:
        yield "Without the lean glycol's purity nothing says that this circulation reaches the limit."
    elif math.isinf(by_trays):
        lean = 100.0 * (request.lean_mass_fraction or 0.0)
        yield (
            f"Glycol of {lean:.2f} wt% cannot reach the limit at any rate: it must be purer, or the gas "
            "colder. The pump is judged by the ratio alone."
        )
    elif by_trays > high:
        yield "The contactor's equation asks for more glycol than the ratio; it decides which pump suits."
    if low <= 0.0:
        yield "At the lowest load the gas is drier than the limit already; the highest load alone is judged."
    try:
        margin = float(hydrate_margin(request.lowest.temperature, request.pressure, request.specific_gravity))
    except CalcError:
        margin = math.inf  # no hydrate correlation there, so no warning from it either
    if margin < 0.0:
        yield f"The coldest gas is {-margin:.0f} K inside the hydrate region: free water would plug the line."
    if "drive gas" not in found:
        yield "Gas of this pressure cannot drive an energy-exchange pump; a motor must drive the pump."
    yield "Stay above the glycol rate that seals the contactor's trays, and above the pump's stall rate."
