"""The quantities that tegwatch measures and calculates, and the signal names that its calculation knows.

Inside the program every value is in the SI unit named here; pressures are absolute. Unit strings and the
display units of a site live in ``config.units``.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Quantity(enum.StrEnum):
    """A kind of measured or calculated quantity; the value is its name in a site file."""

    TEMPERATURE = "temperature"  # K
    TEMPERATURE_DIFFERENCE = "temperature difference"  # K
    PRESSURE = "pressure"  # Pa absolute
    PRESSURE_DIFFERENCE = "pressure difference"  # Pa
    GAS_RATE = "gas rate"  # standard m3/s (15 degC, 101.325 kPa)
    LIQUID_RATE = "liquid rate"  # m3/s
    MASS_RATE = "mass rate"  # kg/s
    STROKE_RATE = "stroke rate"  # strokes/s
    STROKE_COUNT = "stroke count"  # strokes
    WATER_CONTENT = "water content"  # kg per standard m3
    MASS_FRACTION = "mass fraction"  # kg/kg
    CIRCULATION_RATIO = "circulation ratio"  # m3 glycol per kg water
    GAS_LIQUID_RATIO = "gas-liquid ratio"  # standard m3 per m3
    FRACTION = "fraction"  # 0 to 1
    STATE = "state"  # 0 or 1
    POWER = "power"  # W
    LENGTH = "length"  # m
    VOLUME = "volume"  # m3
    DURATION = "duration"  # s
    DENSITY = "density"  # kg/m3
    VISCOSITY = "viscosity"  # Pa s
    HEAT_FLUX = "heat flux"  # W/m2
    NUMBER = "number"  # dimensionless
    COUNT = "count"  # whole number


WITHOUT_UNIT = frozenset({Quantity.STATE, Quantity.COUNT, Quantity.STROKE_COUNT, Quantity.NUMBER})
"""What needs no unit: it is itself."""


@dataclass(frozen=True, slots=True)
class SignalKind:
    """One signal name that the calculation, the checks or the packaged alarms know."""

    name: str
    quantity: Quantity
    description: str


def _catalogue(*rows: tuple[str, Quantity, str]) -> dict[str, SignalKind]:
    return {name: SignalKind(name, quantity, description) for name, quantity, description in rows}


SIGNAL_KINDS: dict[str, SignalKind] = _catalogue(
    ("contactor_temperature", Quantity.TEMPERATURE, "gas temperature in the contactor"),
    ("contactor_pressure", Quantity.PRESSURE, "gas pressure in the contactor"),
    (
        "contactor_differential_pressure",
        Quantity.PRESSURE_DIFFERENCE,
        "pressure drop over the contactor trays",
    ),
    ("gas_rate", Quantity.GAS_RATE, "gas rate through the contactor"),
    (
        "inlet_water_content",
        Quantity.WATER_CONTENT,
        "water content of the wet gas; taken as saturated where absent",
    ),
    ("outlet_water_content", Quantity.WATER_CONTENT, "water content of the dry gas by a moisture analyzer"),
    (
        "outlet_dew_point",
        Quantity.TEMPERATURE,
        "water dew point of the dry gas by an analyzer, at contactor pressure",
    ),
    ("lean_glycol_temperature", Quantity.TEMPERATURE, "lean glycol temperature at the contactor inlet"),
    ("lean_glycol_rate", Quantity.LIQUID_RATE, "measured lean glycol rate"),
    ("stroke_rate", Quantity.STROKE_RATE, "pump stroke rate from a rate register"),
    ("stroke_count", Quantity.STROKE_COUNT, "totalizing pump stroke counter"),
    ("stroke_switch", Quantity.STATE, "contact that closes once a stroke"),
    ("stroke_switch_return", Quantity.STATE, "second contact, at the other end of the stroke"),
    ("stroke_pulse", Quantity.STATE, "message that comes once a stroke, at best with its time stamp"),
    ("reboiler_temperature", Quantity.TEMPERATURE, "glycol temperature in the reboiler"),
    (
        "reboiler_shutdown_temperature",
        Quantity.TEMPERATURE,
        "reboiler temperature by the independent shutdown's element",
    ),
    ("reboiler_level", Quantity.FRACTION, "glycol level in the reboiler"),
    ("burner_on", Quantity.STATE, "burner flame proved"),
    ("fuel_rate", Quantity.GAS_RATE, "burner fuel gas rate"),
    ("stack_temperature", Quantity.TEMPERATURE, "burner stack temperature"),
    ("still_top_temperature", Quantity.TEMPERATURE, "vapour temperature at the top of the still column"),
    ("still_pressure", Quantity.PRESSURE, "pressure in the reboiler and still column"),
    ("stripping_gas_rate", Quantity.GAS_RATE, "stripping gas rate"),
    ("surge_level", Quantity.FRACTION, "glycol level in the surge tank"),
    ("contactor_level", Quantity.FRACTION, "glycol level in the contactor bottom"),
    ("flash_pressure", Quantity.PRESSURE, "flash separator pressure"),
    ("flash_temperature", Quantity.TEMPERATURE, "flash separator temperature"),
    ("flash_level", Quantity.FRACTION, "glycol level in the flash separator"),
    ("filter_differential_pressure", Quantity.PRESSURE_DIFFERENCE, "pressure drop over the glycol filter"),
    ("rich_glycol_temperature", Quantity.TEMPERATURE, "rich glycol temperature into the still column"),
    ("bypass_open", Quantity.STATE, "contactor bypass not fully closed"),
    ("controller_heartbeat", Quantity.COUNT, "register that the controller changes at every scan of its own"),
)

RESULT_KINDS: dict[str, SignalKind] = _catalogue(
    (
        "stroke_rate",
        Quantity.STROKE_RATE,
        "pump stroke rate, estimated from counter, pulses or rate register",
    ),
    ("time_since_stroke", Quantity.DURATION, "time since the last stroke that was seen"),
    (
        "accepted_stall_rate",
        Quantity.STROKE_RATE,
        "the pump's stall rate, or the lower rate the site accepts",
    ),
    (
        "stall_acceptance_ends_soon",
        Quantity.STATE,
        "the pump runs below its maker's stall rate by an acceptance that ends soon",
    ),
    ("circulation_rate", Quantity.LIQUID_RATE, "lean glycol circulation rate"),
    ("compressibility", Quantity.NUMBER, "gas compressibility factor in the contactor"),
    ("saturated_water_content", Quantity.WATER_CONTENT, "water content of saturated gas in the contactor"),
    ("inlet_water_content", Quantity.WATER_CONTENT, "water content of the wet gas, measured or saturated"),
    ("water_load", Quantity.MASS_RATE, "water in the wet gas"),
    ("water_removed", Quantity.MASS_RATE, "water taken up by the glycol"),
    ("circulation_ratio", Quantity.CIRCULATION_RATIO, "lean glycol per water removed"),
    ("lean_mass_fraction", Quantity.MASS_FRACTION, "TEG mass fraction of the lean glycol"),
    (
        "calculated_lean_mass_fraction",
        Quantity.MASS_FRACTION,
        "TEG mass fraction of the lean glycol by calculation alone, no laboratory sample in it",
    ),
    (
        "lean_purity_bias",
        Quantity.MASS_FRACTION,
        "lean mass fraction less the one by calculation alone, learned from laboratory samples",
    ),
    ("rich_mass_fraction", Quantity.MASS_FRACTION, "TEG mass fraction of the rich glycol"),
    ("equilibrium_dew_point", Quantity.TEMPERATURE, "water dew point in equilibrium with the lean glycol"),
    ("outlet_water_content", Quantity.WATER_CONTENT, "water content of the dry gas"),
    ("outlet_dew_point", Quantity.TEMPERATURE, "water dew point of the dry gas at the limit's pressure"),
    ("limit_dew_point", Quantity.TEMPERATURE, "the pipeline limit as a dew point at its pressure"),
    ("dew_point_margin", Quantity.TEMPERATURE_DIFFERENCE, "pipeline limit less outlet dew point"),
    ("probability_over_limit", Quantity.FRACTION, "probability that the outlet is wetter than the limit"),
    ("required_circulation_rate", Quantity.LIQUID_RATE, "circulation rate that would just meet the limit"),
    ("required_stroke_rate", Quantity.STROKE_RATE, "stroke rate that would just meet the limit"),
    ("hydrate_temperature", Quantity.TEMPERATURE, "hydrate temperature of the gas at contactor pressure"),
    ("inferred_tray_efficiency", Quantity.FRACTION, "tray efficiency that explains the measured outlet"),
    ("inferred_stages", Quantity.NUMBER, "equilibrium stages that explain the measured outlet"),
    ("lean_approach_temperature", Quantity.TEMPERATURE_DIFFERENCE, "lean glycol less gas temperature"),
    ("water_content_margin", Quantity.WATER_CONTENT, "pipeline limit less outlet water content"),
    ("reboiler_duty", Quantity.POWER, "heat into the glycol in the reboiler"),
    (
        "calculated_dew_point",
        Quantity.TEMPERATURE,
        "outlet dew point by calculation alone, no analyzer in it",
    ),
    ("measured_dew_point", Quantity.TEMPERATURE, "outlet dew point by the analyzer, at the limit's pressure"),
    ("dew_point_bias", Quantity.TEMPERATURE_DIFFERENCE, "measured less calculated dew point, learned"),
    ("stroke_irregularity", Quantity.FRACTION, "standard deviation of the stroke intervals over their mean"),
    ("stroke_asymmetry", Quantity.FRACTION, "difference of the two half strokes over the whole stroke"),
    (
        "reboiler_time_to_limit",
        Quantity.DURATION,
        "time to the glycol's breakdown temperature at the present trend; a day stands for not at all",
    ),
    (
        "margin_time_to_limit",
        Quantity.DURATION,
        "time to the end of the dew-point margin at the present trend; a day stands for not at all",
    ),
    ("gas_rate_capacity", Quantity.GAS_RATE, "gas rate at which the contactor floods as it is now"),
    ("glycol_loss_rate", Quantity.FRACTION, "share of the surge tank that is lost a day while circulating"),
    ("glycol_age", Quantity.DURATION, "time since the glycol was changed"),
    (
        "glycol_exposure",
        Quantity.FRACTION,
        "share of the glycol's change interval used up by time or by heat, the worse",
    ),
    ("pump_change_advised", Quantity.STATE, "another installed pump suits the load of the last days"),
    (
        "dew_point_drift",
        Quantity.FRACTION,
        "control chart of measured less calculated dew point, share of its limit",
    ),
    ("pump_efficiency", Quantity.FRACTION, "delivered over displaced glycol, by glycol meter and strokes"),
    (
        "pump_efficiency_drift",
        Quantity.FRACTION,
        "control chart of the pump's efficiency, share of its limit",
    ),
    ("fired_without_level", Quantity.STATE, "the burner was lit below the reboiler's least level"),
    (
        "fired_without_circulation",
        Quantity.STATE,
        "the hot reboiler is fired while no glycol circulates",
    ),
    ("bypass_opened_in_service", Quantity.STATE, "the bypass left closed while gas was being dried"),
    ("gas_before_hot", Quantity.STATE, "gas was admitted in a start-up before the reboiler was hot"),
    (
        "bypass_closed_early",
        Quantity.STATE,
        "the bypass was closed in a start-up before the reboiler was hot and glycol circulated",
    ),
    ("gas_admitted_fast", Quantity.STATE, "more gas came within minutes of a start-up than should"),
)
