"""Kremser's equation: what a countercurrent column of equilibrium stages removes.

With the absorption factor ``A = L / (K V)`` and N equilibrium stages, Kremser's efficiency
``E = (W_in - W_out) / (W_in - W_0) = (A^(N+1) - A) / (A^(N+1) - 1)`` is the same as
``(W_in - W_out) / (W_out - W_0) = A (A^N - 1) / (A - 1) = A + A^2 + ... + A^N``: the removal ratio, used here
because it is solved for the stages in closed form and for the glycol rate without trouble. The contactor uses
it, and so does a stripping column with the stripping factor in place of A.
"""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, ValidRange, functions_for
from calc.errors import NotConvergedError

ABSORPTION_FACTOR = ValidRange("absorption_factor", 0.0, 1e9)
STAGES = ValidRange("stages", 0.0, 20.0)
WATER_CONTENT = ValidRange("water content", 0.0, 1e9, "kg per standard m3")

_NEAR_ONE = 1e-6  # |ln A| below which A (A^N - 1)/(A - 1) loses digits; A is then moved this far from 1
_NOTHING = 1e-30  # absorption factor and stages that stand for none at all, so that their logarithms exist


def log_removal_ratio(
    log_absorption_factor: FloatOrArray, stages: FloatOrArray
) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Give the removal ratio of a contactor as a logarithm with its slopes, for use inside other equations.

    Parameters
    ----------
    log_absorption_factor : float or array
        Logarithm of the absorption factor, ln(L/(K V)) [-].
    stages : float or array
        Equilibrium stages, above 0 [-].

    Returns
    -------
    tuple of float or array
        ln((W_in - W_out)/(W_out - W_0)) [-], and its slopes with ln A [-] and with the stages [-].

    Raises
    ------
    ValueError
        A scalar with 0 stages.

    Notes
    -----
    Valid for -70 to 70 and 0.01 to 10 stages, not checked here; within 1e-6 of the equation near A = 1, where
    the limit is the number of stages. The slope with ln A runs from 1 for little glycol to N for much, so
    Newton's method in these variables converges from anywhere.

    References
    ----------
    A. Kremser, National Petroleum News 22 (21) (1930) 43; M. Souders and G. G. Brown, Ind. Eng. Chem. 24
    (1932) 519. Rearranged as in the module's head.

    Examples
    --------
    >>> log_ratio, by_factor, by_stages = log_removal_ratio(math.log(2.0), 2.0)  # 2 + 4 = 6
    >>> math.exp(log_ratio)
    6.000
    """
    xp = functions_for(log_absorption_factor, stages)
    size = xp.absolute(log_absorption_factor)
    log_factor = xp.where(size < _NEAR_ONE, _NEAR_ONE, log_absorption_factor)
    factor = xp.exp(log_factor)
    power = xp.exp(stages * log_factor)
    share = power / (power - 1.0)
    log_ratio = log_factor + xp.log((power - 1.0) / (factor - 1.0))
    return log_ratio, 1.0 + stages * share - factor / (factor - 1.0), log_factor * share


def log_absorption_factor_for(log_ratio: FloatOrArray, stages: FloatOrArray) -> FloatOrArray:
    """Absorption factor that gives a removal ratio, for use inside other equations.

    Parameters
    ----------
    log_ratio : float or array
        ln((W_in - W_out)/(W_out - W_0)) [-].
    stages : float or array
        Equilibrium stages, above 0 [-].

    Returns
    -------
    float or array
        Logarithm of the absorption factor [-].

    Raises
    ------
    ValueError
        A scalar with 0 stages.

    Notes
    -----
    Valid for ratios of 1e-12 to 1e12 and 0.1 to 10 stages, not checked here; inverse of
    ``log_removal_ratio`` to 1e-6. The slope is monotonic, so Newton's method cannot overshoot twice.

    References
    ----------
    As ``log_removal_ratio``.

    Examples
    --------
    >>> math.exp(log_absorption_factor_for(math.log(6.0), 2.0))  # 2 + 4 = 6
    2.000
    """
    xp = functions_for(log_ratio, stages)
    # A geometric series of N terms: between its first and its last term in the logarithm.
    log_factor = (log_ratio - xp.log(stages)) * 2.0 / (1.0 + stages)
    for _ in range(4):
        value, slope, _ = log_removal_ratio(log_factor, stages)
        log_factor = log_factor - (value - log_ratio) / slope
    return log_factor


def kremser_efficiency(absorption_factor: FloatOrArray, stages: FloatOrArray) -> FloatOrArray:
    """Kremser's absorption efficiency: the part of the removable water that is removed.

    Parameters
    ----------
    absorption_factor : float or array
        L/(K V), molar [-].
    stages : float or array
        Equilibrium stages [-].

    Returns
    -------
    float or array
        (W_in - W_out)/(W_in - W_0) [-].

    Raises
    ------
    OutOfRangeError
        A scalar outside 0 to 1e9 or 0 to 20 stages; an element of an array becomes NaN.

    Notes
    -----
    Valid for 0 to 1e9 and 0 to 20 stages; exact for constant A. N/(N+1) at A = 1.

    References
    ----------
    A. Kremser, National Petroleum News 22 (21) (1930) 43; as eq. 18.2 of J. M. Campbell, Gas Conditioning and
    Processing, vol. 2.

    Examples
    --------
    >>> kremser_efficiency(7.313, 1.5)  # J. M. Campbell, vol. 2, example 18.3: 0.956
    0.956
    """
    a = ABSORPTION_FACTOR.check(absorption_factor)
    n = STAGES.check(stages)
    xp = functions_for(a, n)
    ratio = xp.exp(log_removal_ratio(xp.log(xp.maximum(a, _NOTHING)), xp.maximum(n, _NOTHING))[0])
    return ratio / (1.0 + ratio)


def inferred_stages(
    absorption_factor: FloatOrArray,
    inlet_water_content: FloatOrArray,
    outlet_water_content: FloatOrArray,
    equilibrium_water_content: FloatOrArray,
) -> FloatOrArray:
    """Equilibrium stages that explain a measured outlet.

    Parameters
    ----------
    absorption_factor : float or array
        L/(K V), molar [-].
    inlet_water_content : float or array
        Water content of the wet gas [kg per standard m3].
    outlet_water_content : float or array
        Measured water content of the dry gas [kg per standard m3].
    equilibrium_water_content : float or array
        Water content in equilibrium with the lean glycol [kg per standard m3].

    Returns
    -------
    float or array
        Equilibrium stages [-]; divided by the trays, the overall tray efficiency.

    Raises
    ------
    NotConvergedError
        A scalar outlet drier than the equilibrium or wetter than the inlet; an element becomes NaN.
    OutOfRangeError
        A scalar outside the ranges of its arguments.

    Notes
    -----
    Valid where the outlet lies between equilibrium and inlet; exact inverse of Kremser's equation. The closer
    the outlet is to equilibrium, the less it says about the trays: half of it being equilibrium, an error of
    10 % in either doubles or halves the stages.

    References
    ----------
    Kremser (1930), solved for N.

    Examples
    --------
    >>> inferred_stages(2.0, 8.0, 2.0, 1.0)  # removal ratio (8 - 2)/(2 - 1) = 6 = 2 + 4
    2.000
    """
    a = ABSORPTION_FACTOR.check(absorption_factor)
    inlet = WATER_CONTENT.check(inlet_water_content)
    outlet = WATER_CONTENT.check(outlet_water_content)
    driest = WATER_CONTENT.check(equilibrium_water_content)
    xp = functions_for(a, inlet, outlet, driest)
    impossible = (outlet <= driest) | (outlet > inlet)
    if impossible is True:
        raise NotConvergedError("stages", 0, f"outlet {outlet} is not between {driest} and {inlet}")
    ratio = (inlet - outlet) / xp.where(impossible, math.nan, outlet - driest)
    log_factor = xp.log(xp.maximum(a, _NOTHING))
    log_factor = xp.where(xp.absolute(log_factor) < _NEAR_ONE, _NEAR_ONE, log_factor)
    factor = xp.exp(log_factor)
    return xp.log(1.0 + ratio * (factor - 1.0) / factor) / log_factor


WATER_CONTENT = ValidRange("water content", 0.0, 1e9, "kg per standard m3")
