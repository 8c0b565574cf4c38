"""The simulated plant's state, the upsets that act on it, and what leaves it on the books."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Vessel(NamedTuple):
    """Glycol in one vessel [kg]."""

    teg: float
    water: float

    @property
    def mass(self) -> float:
        """All of it [kg]."""
        return self.teg + self.water

    @property
    def water_fraction(self) -> float:
        """Mass fraction of water; 0 when the vessel is empty."""
        mass = self.teg + self.water
        return self.water / mass if mass > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class PlantInputs:
    """What acts on the plant from outside; the defaults are undisturbed running."""

    burner_stuck_on: bool = False
    """The fuel valve does not close when the thermostat asks for it."""
    burner_out: bool = False
    """No flame, whatever the thermostat asks for."""
    stroke_rate_factor: float = 1.0
    """Drive of the pump, as a share of the usual stroke rate."""
    strainer_plugging: float = 0.0
    """0 clean, 1 plugged."""
    seal_leak: float = 0.0
    """Share of the pump's delivery that is rich glycol leaking past worn seals, 0 to 0.5."""
    gas_temperature_rise: float = 0.0
    """Gas hotter than usual [K]."""
    gas_rate_factor: float = 1.0
    """Gas rate over the usual one."""
    pressure_factor: float = 1.0
    """Contactor pressure over the usual one."""
    foaming: float = 0.0
    """0 none, 1 heavy."""
    glycol_loss: float = 0.0
    """Glycol leaking from the surge tank, as a share of the usual lean rate."""


UNDISTURBED = PlantInputs()


@dataclass(frozen=True, slots=True)
class Ledger:
    """Running totals since the plant was made; balances are checked against them."""

    water_from_gas: float = 0.0
    """Water taken up in the contactor [kg]."""
    water_evaporated: float = 0.0
    """Water that left the still [kg]."""
    water_lost: float = 0.0
    """Water that left with leaked glycol or mist [kg]."""
    teg_lost: float = 0.0
    """TEG lost as mist, vapour and leak [kg]."""
    heat_fired: float = 0.0
    """Heat from the burner into the reboiler [J]."""
    heat_to_ambient: float = 0.0
    """Heat lost through the reboiler's shell [J]."""
    heat_by_streams: float = 0.0
    """Heat that glycol and vapour carried out of the reboiler, less what they brought [J]."""


@dataclass(frozen=True, slots=True)
class PlantState:
    """Everything about the plant at one instant. SI units; pressures absolute."""

    process_time: float
    """Process clock [s]; runs ``time_factor`` times as fast as the pump's."""
    stroke_time: float
    """The pump's clock [s]: wall time."""
    # Weather and supply: departures that wander about zero
    ambient_departure: float
    gas_temperature_departure: float
    gas_rate_departure: float
    pressure_departure: float
    foam_noise: float
    # Pump
    stroke_rate: float
    """Mean stroke rate [1/s]."""
    stroke_phase: float
    """Where in the present stroke the pump is, 0 to 1."""
    stroke_pace: float
    """Length of the present stroke over the mean one."""
    stroke_count: int
    """Strokes since the plant was made."""
    # Inventory
    contactor: Vessel
    flash: Vessel
    reboiler: Vessel
    surge: Vessel
    # Reboiler
    reboiler_temperature: float
    thermostat_on: bool
    burner_on: bool
    shutdown_tripped: bool
    boiling_fraction: float
    """Water mass fraction in equilibrium in the reboiler."""
    # Lagged
    outlet_water_content: float
    lean_temperature: float
    rich_temperature: float
    still_vapour: float
    """Vapour through the still over the usual, as its packing feels it."""
    still_top_temperature: float
    stack_temperature: float
    flash_temperature: float
    flash_pressure: float
    # Algebraic: as they were in the last step
    ambient_temperature: float
    gas_rate: float
    gas_temperature: float
    contactor_pressure: float
    contactor_differential_pressure: float
    filter_differential_pressure: float
    lean_rate: float
    """Glycol that the pump delivers [m3/s]."""
    lean_water_fraction: float
    """At the contactor, after what leaks past the pump's seals."""
    inlet_water_content: float
    ledger: Ledger

    @property
    def teg_inventory(self) -> float:
        """TEG in all vessels [kg]."""
        return self.contactor.teg + self.flash.teg + self.reboiler.teg + self.surge.teg

    @property
    def water_inventory(self) -> float:
        """Water in the glycol of all vessels [kg]."""
        return self.contactor.water + self.flash.water + self.reboiler.water + self.surge.water
