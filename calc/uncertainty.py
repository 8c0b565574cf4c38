"""Linearised propagation of uncertainty: what one standard deviation of each source does to a result.

An *effect* is the change of a result when one source is off by one standard deviation. The sources of
``calc.readings.SOURCES`` are independent, so a result's variance is the sum of its squared effects; what two
results share cancels or adds by sign when their effects are combined first, which is why effects and not
variances travel along the calculation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, TypeAlias

from calc.arrays import FloatOrArray, functions_for
from calc.readings import Estimate

Effects: TypeAlias = dict[str, FloatOrArray]
"""Change of a quantity by one standard deviation of each source, by the source's name."""


def combine(*terms: tuple[FloatOrArray, Mapping[str, FloatOrArray]]) -> Effects:
    """Combine effects linearly, as the chain rule asks.

    Parameters
    ----------
    *terms : tuple of float or array, and mapping
        A slope [unit of the result over unit of the quantity] and the effects on that quantity.

    Returns
    -------
    dict
        Effects on the result [unit of the result].

    Raises
    ------
    TypeError
        A slope that is no number.

    Notes
    -----
    Valid where a result is nearly straight within one standard deviation of each source, exact where linear.

    References
    ----------
    JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.

    Examples
    --------
    >>> combine((2.0, {"a": 1.0}), (-1.0, {"a": 0.5, "b": 3.0}))
    {'a': 1.5, 'b': -3.0}
    """
    total: Effects = {}
    for slope, effects in terms:
        for source, effect in effects.items():
            if source in total:
                total[source] += slope * effect  # in place: a product is nobody else's array
            else:
                total[source] = slope * effect
    return total


def standard_uncertainty(effects: Mapping[str, FloatOrArray]) -> FloatOrArray:
    """Add up the standard uncertainty of a result from its effects.

    Parameters
    ----------
    effects : mapping
        Effects on the result [unit of the result].

    Returns
    -------
    float or array
        Standard uncertainty [unit of the result].

    Raises
    ------
    TypeError
        An effect that is no number.

    Notes
    -----
    Valid for independent sources; exact for a linear result.

    References
    ----------
    JCGM 100:2008, eq. 10.

    Examples
    --------
    >>> standard_uncertainty({"a": 3.0, "b": -4.0})
    5.0
    """
    variance: FloatOrArray = 0.0
    for effect in effects.values():
        variance = variance + effect * effect
    return functions_for(variance).sqrt(variance)


def probability_below_zero(value: FloatOrArray, uncertainty: FloatOrArray) -> FloatOrArray:
    """Probability that a normally distributed quantity is below zero.

    Parameters
    ----------
    value : float or array
        Best estimate [any unit].
    uncertainty : float or array
        Its standard uncertainty, above 0 [same unit].

    Returns
    -------
    float or array
        Probability, 0 to 1 [-].

    Raises
    ------
    ZeroDivisionError
        A scalar uncertainty of 0.

    Notes
    -----
    Valid for any value; absolute error below 7.5e-8. Far out in the tail the normal distribution itself is
    the larger error.

    References
    ----------
    M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, NBS (1964), eq. 26.2.17.

    Examples
    --------
    >>> probability_below_zero(1.0, 1.0)  # one standard deviation above zero
    0.158655
    """
    z = value / uncertainty
    xp = functions_for(z)
    size = xp.minimum(xp.absolute(z), 38.0)  # beyond, the density underflows
    t = 1.0 / (1.0 + 0.2316419 * size)
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = 0.3989422804014327 * xp.exp(-0.5 * size * size) * series
    return xp.where(z >= 0.0, tail, 1.0 - tail)


class Relative(NamedTuple):
    """A positive value and the effects on its logarithm."""

    value: FloatOrArray
    effects: Effects

    @property
    def estimate(self) -> Estimate:
        """Value with its standard uncertainty."""
        return Estimate(self.value, self.value * standard_uncertainty(self.effects))


class Absolute(NamedTuple):
    """A value and the effects on it, in its unit."""

    value: FloatOrArray
    effects: Effects

    @property
    def estimate(self) -> Estimate:
        """Value with its standard uncertainty; an absent value has none."""
        return Estimate(self.value, standard_uncertainty(self.effects) + 0.0 * self.value)
