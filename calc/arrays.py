"""Floats and numpy arrays alike: every function of ``calc`` is written once and takes both.

The convention of the whole package, stated here and nowhere else:

* A **scalar** outside its valid range raises ``OutOfRangeError``; a root that cannot be found raises
  ``NotConvergedError``.
* In an **array** the same turns that one element into NaN and leaves its neighbours alone, so that a bad
  minute does not cost a year.
* **NaN in, NaN out**, for scalars too: an absent reading is absent, it is not an error.
* Nothing is clipped, ever.

Arguments broadcast as numpy does; the result is a float when every argument was a scalar. Scalars run on
``math`` rather than numpy, which is ten times as fast: ``functions_for`` picks the functions, the equation
stays one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calc.errors import OutOfRangeError

FloatArray: TypeAlias = NDArray[np.float64]
FloatOrArray: TypeAlias = float | FloatArray
BoolOrArray: TypeAlias = bool | NDArray[np.bool_]


def _where(condition: BoolOrArray, yes: FloatOrArray, no: FloatOrArray) -> FloatOrArray:
    return yes if condition else no


def _minimum(first: FloatOrArray, second: FloatOrArray) -> FloatOrArray:
    return first if first < second or first != first else second  # noqa: PLR0124 - NaN wins, as in numpy


def _maximum(first: FloatOrArray, second: FloatOrArray) -> FloatOrArray:
    return first if first > second or first != first else second  # noqa: PLR0124 - NaN wins, as in numpy


@dataclass(frozen=True, slots=True)
class Functions:
    """The elementary functions an equation needs, for floats (``SCALAR``) or for arrays (``ARRAY``)."""

    exp: Callable[[FloatOrArray], FloatOrArray]
    log: Callable[[FloatOrArray], FloatOrArray]
    sqrt: Callable[[FloatOrArray], FloatOrArray]
    absolute: Callable[[FloatOrArray], FloatOrArray]
    isnan: Callable[[FloatOrArray], BoolOrArray]
    minimum: Callable[[FloatOrArray, FloatOrArray], FloatOrArray]
    maximum: Callable[[FloatOrArray, FloatOrArray], FloatOrArray]
    where: Callable[[BoolOrArray, FloatOrArray, FloatOrArray], FloatOrArray]
    """Choose by a condition; both choices are computed, so neither may fail."""
    some: Callable[[BoolOrArray], bool]
    """Whether a condition holds anywhere."""


def _some(condition: BoolOrArray) -> bool:
    return bool(np.any(condition))


SCALAR = Functions(math.exp, math.log, math.sqrt, math.fabs, math.isnan, _minimum, _maximum, _where, bool)
ARRAY = Functions(np.exp, np.log, np.sqrt, np.abs, np.isnan, np.minimum, np.maximum, np.where, _some)


def functions_for(*values: FloatOrArray) -> Functions:
    """Pick ``SCALAR`` when every value is a scalar, otherwise ``ARRAY``."""
    for value in values:
        if isinstance(value, np.ndarray):
            return ARRAY
    return SCALAR


@dataclass(frozen=True, slots=True)
class ValidRange:
    """The range of one argument for which a correlation is trusted, as data.

    Parameters
    ----------
    argument : str
        Name of the argument, for the message.
    lower, upper : float
        Ends, included.
    unit : str
        SI unit of the ends.
    """

    argument: str
    lower: float
    upper: float
    unit: str = ""

    def contains(self, value: FloatOrArray) -> BoolOrArray:
        """Tell whether a value lies in the range; NaN does not."""
        return (value >= self.lower) & (value <= self.upper)

    def check(self, value: FloatOrArray) -> FloatOrArray:
        """Return the value as float or float64 array; see the module's convention for what is out of range.

        Raises
        ------
        OutOfRangeError
            A scalar outside the range.
        """
        if isinstance(value, np.ndarray):
            array = np.asarray(value, dtype=np.float64)
            inside = self.contains(array)
            return array if np.all(inside) else np.where(inside, array, math.nan)
        if value < self.lower or value > self.upper:
            raise OutOfRangeError(self.argument, value, self.lower, self.upper, self.unit)
        return value if type(value) is float else float(value)
