"""What a simulated plant is made of: equipment sizes, and the truths that it hides from the daemon."""

from __future__ import annotations

from dataclasses import dataclass

from config.site import DehydrationUnit
from daemon.fieldsim.properties import (
    GLYCOL_HEAT_CAPACITY,
    LATENT_HEAT,
    glycol_density,
    saturated_water_content,
)

USUAL_CIRCULATION_RATIO = 0.0267  # m3/kg: 3.2 gal TEG a lb of water, inside the handbooks' 2 to 5


@dataclass(frozen=True, slots=True)
class PlantDesign:
    """Sizes and hidden truths of one plant. SI units; pressures absolute; gas at 15 degC, 101.325 kPa."""

    # Pump
    displacement: float
    """Glycol volume a stroke [m3]."""
    stroke_rate: float
    """Usual stroke rate [1/s]."""
    stall_rate: float
    """Below it strokes become irregular [1/s]."""
    maximum_rate: float
    """Fastest the pump can go [1/s]."""
    # Gas and contactor
    gas_rate: float
    """Usual gas rate [standard m3/s]."""
    gas_temperature: float
    """Usual gas temperature [K]."""
    contactor_pressure: float
    """Usual contactor pressure [Pa]."""
    trays: float
    """Actual trays."""
    # Reboiler
    reboiler_set_point: float
    """Thermostat set point [K]."""
    barometric_pressure: float
    """Pressure of the surrounding air [Pa]."""
    still_back_pressure: float
    """Pressure in the still above it [Pa]."""
    burner_power: float
    """Heat into the glycol while the burner is on [W]."""
    heat_loss: float
    """Heat lost through the shell for each kelvin above ambient [W/K]."""
    reboiler_mass: float
    """Glycol below the weir [kg]."""
    metal_heat_capacity: float
    """Steel that is heated along [J/K]."""
    # Inventory at the usual rate
    contactor_mass: float
    """Glycol on trays and in the bottom [kg]."""
    flash_mass: float
    """Glycol in the flash separator [kg]."""
    surge_mass: float
    """Glycol in the surge tank [kg]; half of what it holds."""
    # Hidden from the daemon
    volumetric_efficiency: float = 0.93
    """True share of the displacement that is delivered."""
    tray_efficiency: float = 0.265
    """True theoretical stages an actual tray."""
    equilibrium_bias: float = 1.04
    """True water vapour pressure over glycol against the fit in ``properties``."""
    # Small print
    thermostat_half_band: float = 1.5
    """Half of the thermostat's hysteresis [K]."""
    shutdown_temperature: float = 491.0
    """Independent shutdown of the burner [K] (218 degC, 424 degF)."""
    fuel_efficiency: float = 0.7
    """Share of the fuel's heat that reaches the glycol."""
    fuel_heating_value: float = 34.0e6
    """Lower heating value of the fuel gas [J per standard m3]."""
    reflux: float = 0.3
    """Heat of reflux as a share of the heat of evaporation; 25 to 50 % in a public sizing note."""
    exchanger_effectiveness: float = 0.62
    """Lean-rich exchanger."""
    lean_approach: float = 5.0
    """Lean glycol above the gas at the usual rate [K]; 3 to 8 K is common practice."""
    contactor_differential_pressure: float = 9.0e3
    """At the usual gas rate [Pa]."""
    filter_differential_pressure: float = 35.0e3
    """Clean filter at the usual rate [Pa]."""
    flash_pressure: float = 4.5e5
    """Usual flash separator pressure [Pa absolute]."""
    ambient_temperature: float = 288.0
    """Mean of the day [K]."""
    ambient_swing: float = 8.0
    """Half of the difference between afternoon and early morning [K]."""
    mist_loss: float = 6.7e-6
    """Glycol carried over [kg per standard m3]: about 0.05 gal/MMscf, half of the usual design figure."""

    @property
    def lean_mass_rate(self) -> float:
        """Usual lean glycol rate [kg/s]."""
        volume = self.displacement * self.volumetric_efficiency * self.stroke_rate
        return volume * glycol_density(self.gas_temperature + self.lean_approach, 0.013)

    @property
    def reboiler_pressure(self) -> float:
        """Pressure at which the glycol boils [Pa]."""
        return self.barometric_pressure + self.still_back_pressure


def size_plant(
    *,
    displacement: float,
    stall_rate: float,
    maximum_rate: float,
    reboiler_set_point: float,
    trays: float,
    barometric_pressure: float,
    still_back_pressure: float = 0.0,
    stroke_rate: float | None = None,
    gas_temperature: float = 299.15,
    contactor_pressure: float = 6.3e6,
    gas_rate: float | None = None,
    hold_up_time: float = 9000.0,
) -> PlantDesign:
    """Size a plant around its pump, as an operator would have run it.

    The stroke rate defaults to 1.8 times the stall rate, the gas rate to what 3.2 gal of glycol a pound of
    water dries, the burner to a bit more than twice the heat that this takes. ``hold_up_time`` [s] is the
    glycol in the reboiler over the glycol rate.
    """
    rate = stroke_rate if stroke_rate is not None else min(1.8 * stall_rate, 0.7 * maximum_rate)
    volume_rate = displacement * 0.93 * rate
    mass_rate = volume_rate * glycol_density(gas_temperature + 5.0, 0.013)
    water_content = saturated_water_content(gas_temperature, contactor_pressure)
    gas = gas_rate if gas_rate is not None else volume_rate / (USUAL_CIRCULATION_RATIO * 0.9 * water_content)
    water = 0.9 * gas * water_content
    # Rich glycol reaches the still about 38 % of the way short of the reboiler; see exchanger_effectiveness.
    span = reboiler_set_point - gas_temperature
    duty = mass_rate * GLYCOL_HEAT_CAPACITY * 0.38 * span + water * LATENT_HEAT * 1.3
    return PlantDesign(
        displacement=displacement,
        stroke_rate=rate,
        stall_rate=stall_rate,
        maximum_rate=maximum_rate,
        gas_rate=gas,
        gas_temperature=gas_temperature,
        contactor_pressure=contactor_pressure,
        trays=trays,
        reboiler_set_point=reboiler_set_point,
        barometric_pressure=barometric_pressure,
        still_back_pressure=still_back_pressure,
        burner_power=2.4 * duty,
        heat_loss=0.2 * duty / span,
        reboiler_mass=mass_rate * hold_up_time,
        metal_heat_capacity=0.15 * mass_rate * hold_up_time * GLYCOL_HEAT_CAPACITY,
        contactor_mass=mass_rate * 1800.0,
        flash_mass=mass_rate * 1200.0,
        surge_mass=mass_rate * 5400.0,
    )


def design_from_unit(
    unit: DehydrationUnit,
    barometric_pressure: float,
    *,
    gas_temperature: float = 299.15,
    contactor_pressure: float = 6.3e6,
    stroke_rate: float | None = None,
    gas_rate: float | None = None,
) -> PlantDesign:
    """Size the plant behind one configured unit; what the configuration believes and what is true differ."""
    pump, contactor = unit.pump_in_service, unit.contactor
    trays = contactor.trays if contactor.trays is not None else (contactor.theoretical_stages or 2.0) / 0.25
    return size_plant(
        displacement=pump.displacement,
        stall_rate=pump.stall_rate,
        maximum_rate=pump.maximum_rate,
        stroke_rate=stroke_rate,
        reboiler_set_point=unit.reboiler.set_point,
        trays=float(trays),
        barometric_pressure=barometric_pressure,
        still_back_pressure=unit.reboiler.still_back_pressure,
        gas_temperature=gas_temperature,
        contactor_pressure=contactor_pressure,
        gas_rate=gas_rate,
    )
