"""The order in which a page lists values: along the gas, along the glycol, heat and regeneration."""

from __future__ import annotations

from collections.abc import Iterable

_GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Follow the gas",
        (
            "gas_rate",
            "contactor_pressure",
            "contactor_temperature",
            "contactor_differential_pressure",
            "inlet_water_content",
            "saturated_water_content",
            "water_load",
            "outlet_water_content",
            "outlet_dew_point",
            "measured_dew_point",
            "calculated_dew_point",
            "limit_dew_point",
            "dew_point_margin",
            "margin_time_to_limit",
            "water_content_margin",
            "probability_over_limit",
            "hydrate_temperature",
            "dew_point_bias",
            "dew_point_drift",
            "inferred_tray_efficiency",
            "inferred_stages",
            "gas_rate_capacity",
            "compressibility",
            "bypass_open",
        ),
    ),
    (
        "Follow the glycol",
        (
            "stroke_rate",
            "accepted_stall_rate",
            "stall_acceptance_ends_soon",
            "required_stroke_rate",
            "time_since_stroke",
            "stroke_irregularity",
            "stroke_asymmetry",
            "circulation_rate",
            "required_circulation_rate",
            "circulation_ratio",
            "lean_glycol_rate",
            "lean_glycol_temperature",
            "lean_approach_temperature",
            "lean_mass_fraction",
            "calculated_lean_mass_fraction",
            "lean_purity_bias",
            "equilibrium_dew_point",
            "water_removed",
            "rich_mass_fraction",
            "contactor_level",
            "flash_pressure",
            "flash_temperature",
            "flash_level",
            "filter_differential_pressure",
            "rich_glycol_temperature",
            "surge_level",
            "glycol_loss_rate",
            "glycol_age",
            "glycol_exposure",
            "pump_efficiency",
            "pump_efficiency_drift",
            "pump_change_advised",
        ),
    ),
    (
        "Heat and regeneration",
        (
            "reboiler_temperature",
            "reboiler_time_to_limit",
            "reboiler_shutdown_temperature",
            "reboiler_level",
            "reboiler_duty",
            "fired_without_level",
            "fired_without_circulation",
            "gas_before_hot",
            "bypass_closed_early",
            "bypass_opened_in_service",
            "gas_admitted_fast",
            "burner_on",
            "fuel_rate",
            "stack_temperature",
            "still_top_temperature",
            "still_pressure",
            "stripping_gas_rate",
        ),
    ),
)
REST = "Other values"


def grouped(names: Iterable[str]) -> list[tuple[str, list[str]]]:
    """Put the names of a unit's values into the order of the flow; what it does not know follows."""
    present = list(names)
    groups = [(title, [name for name in known if name in present]) for title, known in _GROUPS]
    placed = {name for _, found in groups for name in found}
    rest = [name for name in present if name not in placed]
    if rest:
        groups.append((REST, rest))
    return [group for group in groups if group[1]]
