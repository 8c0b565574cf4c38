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
LOG_TAU = 0.5342
"""Energy parameter ln(tau) of water about TEG; that of TEG about water is its negative [-]."""
_TAU = math.exp(LOG_TAU)

# UNIQUAC with coordination number 10, sorted by what depends on the composition: everything does so through
# three means that are linear in it.
_SIZE_SLOPE = _R_WATER - _R_TEG
_AREA_SLOPE = _Q_WATER - _Q_TEG
_CONTACT_SLOPE = _Q_WATER - _Q_TEG / _TAU
_WATER_SIZE, _TEG_SIZE = 1.0 - 5.0 * _Q_WATER, 1.0 - 5.0 * _Q_TEG
_WATER_CONSTANT = (
    _WATER_SIZE * math.log(_R_WATER) + 1.0 + 5.0 * _Q_WATER * (math.log(_Q_WATER) - 1.0) + _Q_WATER
)
_TEG_CONSTANT = (
    _TEG_SIZE * math.log(_R_TEG) + 1.0 + 5.0 * _Q_TEG * (math.log(_Q_TEG) - 1.0) + _Q_TEG * (1.0 - LOG_TAU)
)
_SLOPE_BY_SIZE = 5.0 * _R_WATER * _AREA_SLOPE - _WATER_SIZE * _SIZE_SLOPE


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
    size = _R_TEG + _SIZE_SLOPE * x  # mean number of segments
    area = _Q_TEG + _AREA_SLOPE * x  # mean surface
    contact = _Q_TEG / _TAU + _CONTACT_SLOPE * x  # mean surface, weighted by energy
    log_size, log_area, log_contact = log(size), log(area), log(contact)
    by_size, by_contact = 1.0 / size, 1.0 / contact
    crowding = (5.0 * area - 1.0) * by_size
    packing = area * by_contact
    log_water = (
        _WATER_CONSTANT
        - _WATER_SIZE * log_size
        - 4.0 * _Q_WATER * log_area
        + _R_WATER * crowding
        - _Q_WATER * (log_contact + packing)
    )
    log_teg = (
        _TEG_CONSTANT
        - _TEG_SIZE * log_size
        - 4.0 * _Q_TEG * log_area
        + _R_TEG * crowding
        - _Q_TEG * (log_contact + packing / _TAU)
    )
    slope = (
        (_SLOPE_BY_SIZE - _R_WATER * _SIZE_SLOPE * crowding) * by_size
        - 4.0 * _Q_WATER * _AREA_SLOPE / area
        + _Q_WATER * (_CONTACT_SLOPE * (packing - 1.0) - _AREA_SLOPE) * by_contact
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
