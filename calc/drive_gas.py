"""What an energy-exchange pump spends: high-pressure gas that ends at the still vent, its methane, its cost.

The gas leaves at the flash separator or the still column: a vented gas is a fire hazard and may hold H2S and
benzene. Handling it follows site procedures and local rules.
"""

from __future__ import annotations

from dataclasses import dataclass

from calc.arrays import FloatOrArray, ValidRange
from calc.constants import GAS_CONSTANT, METHANE_MOLAR_MASS, STANDARD_MOLAR_VOLUME
from calc.gas import PRESSURE, TEMPERATURE
from calc.pump import CIRCULATION_RATE

PRESSURE_DIFFERENCE = ValidRange("pressure_loss", 0.0, 5e6, "Pa")
MECHANICAL_EFFICIENCY = ValidRange("mechanical_efficiency", 0.2, 1.0)
RICH_VOLUME_RATIO = ValidRange("rich_volume_ratio", 1.0, 2.0)
GAS_VOLUME_RATIO = ValidRange("drive gas volume ratio", 0.0, 20.0)
METHANE_FRACTION = ValidRange("methane_fraction", 0.0, 1.0, "mole fraction")


def drive_gas_ratio(
    temperature: FloatOrArray,
    contactor_pressure: FloatOrArray,
    compressibility: FloatOrArray,
    *,
    return_pressure: FloatOrArray,
    suction_pressure: FloatOrArray = 101325.0,
    pressure_loss: FloatOrArray = 345e3,
    mechanical_efficiency: FloatOrArray = 0.8,
    rich_volume_ratio: FloatOrArray = 1.04,
) -> FloatOrArray:
    """Calculate the gas an energy-exchange pump needs per volume of glycol, from the balance of its work.

    Parameters
    ----------
    temperature : float or array
        Temperature of gas and rich glycol at the contactor [K].
    contactor_pressure : float or array
        Contactor pressure, absolute [Pa].
    compressibility : float or array
        Factor z of the gas there [-].
    return_pressure : float or array
        Pressure against which the rich glycol leaves the pump (flash separator, or still), absolute [Pa].
    suction_pressure : float or array
        Lean glycol pressure at the pump's suction, absolute [Pa].
    pressure_loss : float or array
        Friction in lines, filters, exchanger and check valves [Pa]; 345 kPa (50 psi) is common practice, no
        source.
    mechanical_efficiency : float or array
        Work on the lean glycol over work done by rich glycol and gas [-]; 0.8 is common practice, no source.
    rich_volume_ratio : float or array
        Rich glycol over lean glycol by volume [-]; 1.04 for 3 gal/lb.

    Returns
    -------
    float or array
        Standard gas (15 degC, 101.325 kPa) per volume of lean glycol [m3/m3].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below, or a return pressure so high that the pump cannot run.

    Notes
    -----
    Valid for 200 to 500 K and a contactor pressure well above the return pressure. Work is pressure times
    swept volume, admitted at full pressure without expansion: the lean volume is raised from suction to
    contactor pressure plus losses; the rich volume and the gas volume fall from contactor to return
    pressure. What the rich glycol lacks, the gas brings. With the defaults 600 to 1000 psig give 2.6 to 3.8
    scf/gal against the flat published 3 scf/gal; +-40 % is honest for a pump of unknown condition.

    References
    ----------
    First law for a pump with two full-admission cylinders; US EPA Natural Gas STAR, Lessons learned:
    Replacing gas-assisted glycol pumps with electric pumps (EPA430-B-03-014) for the field value of 3
    scf/gal (from memory).

    Examples
    --------
    >>> ratio = drive_gas_ratio(310.93, 5.617e6, 0.88, return_pressure=446e3)  # 800 psig, 100 degF, 50 psig
    >>> ratio * 0.13368  # scf/gal
    2.94
    """
    kelvin, contactor = TEMPERATURE.check(temperature), PRESSURE.check(contactor_pressure)
    back, suction = PRESSURE.check(return_pressure), PRESSURE.check(suction_pressure)
    needed = contactor + PRESSURE_DIFFERENCE.check(pressure_loss) - suction
    available = (contactor - back) * MECHANICAL_EFFICIENCY.check(mechanical_efficiency)
    gas_volume = GAS_VOLUME_RATIO.check(needed / available - RICH_VOLUME_RATIO.check(rich_volume_ratio))
    return gas_volume * contactor * STANDARD_MOLAR_VOLUME / (compressibility * GAS_CONSTANT * kelvin)


@dataclass(frozen=True, slots=True)
class DriveGas:
    """What the drive gas of a pump amounts to."""

    gas_rate: FloatOrArray
    """Gas [standard m3/s]."""
    methane_rate: FloatOrArray
    """Methane in it [kg/s]."""
    cost_rate: FloatOrArray
    """Its worth [currency/s]."""


def drive_gas(
    circulation_rate: FloatOrArray,
    gas_ratio: FloatOrArray,
    *,
    methane_fraction: FloatOrArray = 0.9,
    gas_price: FloatOrArray = 0.0,
) -> DriveGas:
    """Calculate the drive gas of a pump, the methane in it and what it is worth.

    Parameters
    ----------
    circulation_rate : float or array
        Lean glycol rate [m3/s].
    gas_ratio : float or array
        Gas per glycol [standard m3/m3], as from ``drive_gas_ratio``.
    methane_fraction : float or array
        Mole fraction of methane in the gas [-].
    gas_price : float or array
        Worth of the gas [currency per standard m3].

    Returns
    -------
    DriveGas
        Gas rate [standard m3/s], methane rate [kg/s] and cost rate [currency/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for circulation to 1 m3/s; as accurate as ``gas_ratio``. All of the gas counts as spent: where a
    flash separator returns it to fuel, only what the still vents is lost.

    References
    ----------
    US EPA Natural Gas STAR, Lessons learned: Optimize glycol circulation and install flash tank separators
    (EPA430-B-03-013), for the same product of rate, ratio and price (from memory).

    Examples
    --------
    >>> spent = drive_gas(1.0514e-4, 22.44, gas_price=0.1)  # 100 gal/h at 3 scf/gal
    >>> spent.gas_rate * 86400, spent.methane_rate * 86400, spent.cost_rate * 86400  # a day
    (203.8, 124.5, 20.38)
    """
    rate = CIRCULATION_RATE.check(circulation_rate) * gas_ratio
    methane = rate * METHANE_FRACTION.check(methane_fraction) * METHANE_MOLAR_MASS / STANDARD_MOLAR_VOLUME
    return DriveGas(rate, methane, rate * gas_price)
