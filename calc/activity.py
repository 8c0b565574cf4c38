"""The activity model of TEG and water: UNIQUAC with one energy parameter, as bare equations.

Checked functions with their ranges are in ``calc.equilibrium``.
"""

from __future__ import annotations

import math

from calc.arrays import FloatOrArray, functions_for

# Structural parameters of UNIQUAC from the groups of original UNIFAC (Hansen et al. 1991): water; TEG as
# 4 CH2, 2 CH2O, 2 OH.
_R_WATER, _Q_WATER = 0.92, 1.40
_R_TEG, _Q_TEG = 4 * 0.6744 + 2 * 0.9183 + 2 * 1.0, 4 * 0.540 + 2 * 0.780 + 2 * 1.200
_COORDINATION = 10.0
LOG_TAU = 0.5342
"""Energy parameter ln(tau) of water about TEG; that of TEG about water is its negative [-]."""
_TAU = math.exp(LOG_TAU)


def activity_logarithms(x: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Activity coefficients of water and TEG as logarithms, for use inside other equations.

    Parameters
    ----------
    x : float or array
        Mole fraction of water, 0 to 1 [-].

    Returns
    -------
    tuple of float or array
        ln gamma of water [-], ln gamma of TEG [-], and the slope of the first with ``x`` [-].

    Raises
    ------
    ValueError
        A scalar far outside 0 to 1.

    Notes
    -----
    Valid for 0 to 1, both ends included, not checked here: an iteration may pass outside. Accuracy as
    ``calc.equilibrium.water_activity_coefficient``. Since the two energy parameters are reciprocal
    (tau_12 tau_21 = 1), the residual part needs one local sum only.

    References
    ----------
    D. S. Abrams and J. M. Prausnitz, AIChE J. 21 (1975) 116-128. Structure: H. K. Hansen et al., Ind. Eng.
    Chem. Res. 30 (1991) 2352-2355.

    Examples
    --------
    >>> log_water, log_teg, slope = activity_logarithms(0.0)
    >>> log_water, log_teg
    (-0.637, 0.000)
    """
    log = functions_for(x).log
    size = _R_TEG + (_R_WATER - _R_TEG) * x  # mean segment number
    area = _Q_TEG + (_Q_WATER - _Q_TEG) * x  # mean surface
    log_size, log_area = log(size), log(area)
    theta = _Q_WATER * x / area  # surface fraction of water
    local = theta + (1.0 - theta) / _TAU
    log_local = log(local)

    segments = _R_WATER / size
    ratio = segments * area / _Q_WATER
    half = 0.5 * _COORDINATION
    log_water = (
        (1.0 - half * _Q_WATER) * (math.log(_R_WATER) - log_size)
        + 1.0
        - segments
        - half * _Q_WATER * (log_area - math.log(_Q_WATER) + 1.0 - ratio)
        + _Q_WATER * (1.0 - log_local - 1.0 / local)
    )
    segments_teg = _R_TEG / size
    ratio_teg = segments_teg * area / _Q_TEG
    local_teg = _TAU * local
    log_teg = (
        (1.0 - half * _Q_TEG) * (math.log(_R_TEG) - log_size)
        + 1.0
        - segments_teg
        - half * _Q_TEG * (log_area - math.log(_Q_TEG) + 1.0 - ratio_teg)
        + _Q_TEG * (1.0 - LOG_TAU - log_local - 1.0 / local_teg)
    )
    size_slope = (_R_WATER - _R_TEG) / size
    ratio_log_slope = (_Q_WATER - _Q_TEG) / area - size_slope
    local_slope = (1.0 - 1.0 / _TAU) * _Q_WATER * _Q_TEG / (area * area)
    slope = (
        size_slope * (segments - 1.0)
        - half * _Q_WATER * ratio_log_slope * (1.0 - ratio)
        + _Q_WATER * local_slope * (1.0 / local - 1.0) / local
    )
    return log_water, log_teg, slope


def mole_fraction_at_activity(activity: FloatOrArray) -> FloatOrArray:
    """Mole fraction of water in TEG at a water activity, for use inside other equations.

    Parameters
    ----------
    activity : float or array
        Activity of water, 0 to 1 [-].

    Returns
    -------
    float or array
        Mole fraction of water [-].

    Raises
    ------
    ValueError
        A scalar far outside 0 to 1.

    Notes
    -----
    Valid for 0 to 1, not checked here; the inverse of the activity to 1e-14. The activity increases with the
    mole fraction and bends little, so six Newton steps exhaust the digits over the whole range.

    References
    ----------
    As ``activity_logarithms``.

    Examples
    --------
    >>> mole_fraction_at_activity(0.0433)
    0.0776
    """
    exp = functions_for(activity).exp
    x = activity * (1.75 - 0.75 * activity)
    for _ in range(6):
        log_gamma, _, slope = activity_logarithms(x)
        gamma = exp(log_gamma)
        x = x - (x * gamma - activity) / (gamma * (1.0 + x * slope))
    return x
