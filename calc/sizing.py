"""From gas temperature, pressure and rate to the glycol that a pump must move."""

from __future__ import annotations

from dataclasses import dataclass

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.constants import POUND, US_GALLON
from calc.gas import RATE
from calc.water import WATER_CONTENT, saturated_water_content

CIRCULATION_RATIO = ValidRange("circulation_ratio", 0.005, 0.1, "m3/kg")
COMMON_CIRCULATION_RATIO = 3.0 * US_GALLON / POUND
"""3 US gal of glycol per lb of water [m3/kg]: the usual choice; 2 to 5 in practice (from memory)."""


@dataclass(frozen=True, slots=True)
class CirculationNeed:
    """The path from a gas to the glycol it needs."""

    inlet_water_content: FloatOrArray
    """Water in the wet gas [kg per standard m3]."""
    outlet_water_content: FloatOrArray
    """Water that may stay in the dry gas [kg per standard m3]."""
    water_removed: FloatOrArray
    """Water that the glycol takes up [kg/s]."""
    circulation_rate: FloatOrArray
    """Lean glycol [m3/s]."""


def circulation_need(
    gas_temperature: FloatOrArray,
    gas_pressure: FloatOrArray,
    gas_rate: FloatOrArray,
    outlet_water_content: FloatOrArray,
    *,
    circulation_ratio: FloatOrArray = COMMON_CIRCULATION_RATIO,
) -> CirculationNeed:
    """Calculate the lean glycol that saturated gas needs, by a circulation ratio.

    Parameters
    ----------
    gas_temperature : float or array
        Gas temperature at the contactor inlet [K].
    gas_pressure : float or array
        Gas pressure there, absolute [Pa].
    gas_rate : float or array
        Gas rate [standard m3/s] (15 degC, 101.325 kPa).
    outlet_water_content : float or array
        Water content to be reached [kg per standard m3].
    circulation_ratio : float or array
        Lean glycol per water removed [m3/kg]; 0.025 is 3 gal/lb.

    Returns
    -------
    CirculationNeed
        Inlet and outlet content [kg per standard m3], water removed [kg/s], circulation rate [m3/s].

    Raises
    ------
    OutOfRangeError
        A scalar outside the range below.

    Notes
    -----
    Valid for gas saturated with water at 213 to 511 K, ratio 0.005 to 0.1 m3/kg (0.6 to 12 gal/lb). The
    ratio is a rule, not physics: whether the glycol's purity and the trays reach the outlet content at that
    ratio is for ``calc.absorber`` to say. Gas that is already dry enough needs no glycol: zero, as far as
    this rule goes. The result is as accurate as the water content, about 5 %.

    References
    ----------
    K. Arnold and M. Stewart, Surface Production Operations, vol. 2, ch. 8 (from memory); GPSA Engineering
    Data Book, section 20 (from memory).

    Examples
    --------
    >>> need = circulation_need(310.93, 6.996e6, 32.71, 1.1234e-4)  # 100 degF, 1000 psig, 100 MMscfd
    >>> need.circulation_rate / 3.785e-3 * 60  # gal/min
    10.99
    """
    rate = RATE.check(gas_rate)
    wet = saturated_water_content(gas_temperature, gas_pressure)
    dry = WATER_CONTENT.check(outlet_water_content)
    ratio = CIRCULATION_RATIO.check(circulation_ratio)
    removed = rate * functions_for(wet, dry).maximum(wet - dry, 0.0)
    return CirculationNeed(wet, dry, removed, removed * ratio)
