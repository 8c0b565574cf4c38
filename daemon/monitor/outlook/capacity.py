"""The gas rate at which the contactor floods, at the present temperature and pressure."""

from __future__ import annotations

from calc.constants import AIR_MOLAR_MASS, GAS_CONSTANT, STANDARD_MOLAR_VOLUME
from calc.errors import CalcError
from calc.glycol import density as glycol_density
from calc.hydraulics import STRUCTURED_PACKING_FACTOR, bubble_cap_factor, maximum_gas_mass_rate
from config.site import DehydrationUnit
from daemon.model import Result
from daemon.monitor.outlook.view import View, absent, resting_on

LEAN = 0.985
"""TEG mass fraction for the density of the glycol: half a percent of density a whole percent of purity."""
RELATIVE_UNCERTAINTY = 0.15
"""Of the capacity by Souders and Brown (``calc.hydraulics``)."""
NEEDED = ("contactor_temperature", "contactor_pressure", "compressibility")


class Capacity:
    """What the contactor can carry; nothing for a site that does not give its diameter."""

    def __init__(self, unit: DehydrationUnit) -> None:
        contactor = unit.contactor
        self._diameter = contactor.inside_diameter
        self._gravity = unit.gas.specific_gravity
        self._factor: float | None = None
        self._complaint = ""
        if contactor.trays is None:
            self._factor = STRUCTURED_PACKING_FACTOR
        elif contactor.tray_spacing is not None:
            try:
                self._factor = float(bubble_cap_factor(contactor.tray_spacing))
            except CalcError as error:
                self._complaint = str(error)

    def results(self, view: View) -> dict[str, Result]:
        """Return ``gas_rate_capacity`` [standard m3/s]."""
        if self._diameter is None:
            return {}
        if self._factor is None:
            return {"gas_rate_capacity": absent(self._complaint)} if self._complaint else {}
        values = [view.value(name) for name in NEEDED]
        capacity = 0.0
        if None not in values:
            temperature, pressure, compressibility = (value for value in values if value is not None)
            molar_mass = self._gravity * AIR_MOLAR_MASS
            gas = pressure * molar_mass / (compressibility * GAS_CONSTANT * temperature)
            try:
                liquid = glycol_density(temperature, LEAN)
                mass = maximum_gas_mass_rate(self._diameter, gas, liquid, self._factor)
            except CalcError as error:
                return {"gas_rate_capacity": absent(str(error))}
            capacity = float(mass) / molar_mass * STANDARD_MOLAR_VOLUME
        result = resting_on(view, NEEDED, capacity, RELATIVE_UNCERTAINTY * capacity)
        return {"gas_rate_capacity": result}
