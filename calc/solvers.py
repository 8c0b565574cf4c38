"""Root finding in a bracket, with a hard limit of iterations and a typed failure.

Both solvers take floats or arrays. By the convention of ``calc.arrays`` a scalar without a root raises
``NotConvergedError`` and an array gets NaN at that element.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from calc.arrays import FloatArray, FloatOrArray, functions_for
from calc.errors import NotConvergedError

MAXIMUM_ITERATIONS = 60
"""Bisection alone needs 53 to exhaust the digits of a float; the solvers here need 4 to 12."""


def find_root(
    function: Callable[[FloatOrArray], FloatOrArray],
    lower: FloatOrArray,
    upper: FloatOrArray,
    *,
    quantity: str,
    tolerance: float = 1e-9,
    maximum_iterations: int = MAXIMUM_ITERATIONS,
) -> FloatOrArray:
    """Find where a function changes its sign between two points, without its slope (Chandrupatla's method).

    Parameters
    ----------
    function : callable
        Function of one float or array, continuous in the bracket [-].
    lower, upper : float or array
        Ends of the bracket; the function must have opposite signs there [unit of the root].
    quantity : str
        What is being solved for, for the message [-].
    tolerance : float
        Width of the final bracket [unit of the root].
    maximum_iterations : int
        Hard limit [-].

    Returns
    -------
    float or array
        The root [unit of the root].

    Raises
    ------
    NotConvergedError
        A scalar: no change of sign, or the limit of iterations reached.

    Notes
    -----
    Valid for any continuous function with a change of sign in the bracket; accurate to ``tolerance``. Inverse
    quadratic interpolation where it is safe, bisection elsewhere: never more than a few bisections slower.
    NaN anywhere gives NaN.

    References
    ----------
    T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
    function without using derivatives, Advances in Engineering Software 28 (1997) 145-149.

    Examples
    --------
    >>> find_root(lambda x: x * x - 2.0, 0.0, 2.0, quantity="square root of 2")
    1.41421356
    """
    f_lower, f_upper = function(lower), function(upper)
    if isinstance(f_lower, np.ndarray) or isinstance(f_upper, np.ndarray):
        bracket = np.broadcast_arrays(lower, upper, f_lower, f_upper)
        with np.errstate(all="ignore"):  # lanes that have arrived divide by zero, and the result is not used
            return _array_root(function, bracket, tolerance, maximum_iterations)
    if f_lower * f_upper > 0.0:
        raise NotConvergedError(quantity, 0, f"no change of sign between {lower:g} and {upper:g}")
    root = _scalar_root(function, (lower, upper, f_lower, f_upper), tolerance, maximum_iterations)
    if root is None:
        raise NotConvergedError(quantity, maximum_iterations, "the bracket is still too wide")
    return root


def _scalar_root(
    function: Callable[[FloatOrArray], FloatOrArray],
    bracket: tuple[FloatOrArray, FloatOrArray, FloatOrArray, FloatOrArray],
    tolerance: float,
    maximum_iterations: int,
) -> float | None:
    a, b, fa, fb = map(float, bracket)
    if fa == 0.0 or fb == 0.0:
        return a if fa == 0.0 else b
    fraction = 0.5
    for _ in range(maximum_iterations):
        x = a + fraction * (b - a)
        fx = float(function(x))
        if (fx > 0.0) == (fa > 0.0):
            c, fc = a, fa
        else:
            c, fc = b, fb
            b, fb = a, fa
        a, fa = x, fx
        best, f_best = (a, fa) if abs(fa) < abs(fb) else (b, fb)
        width = abs(b - a)
        if math.isnan(fx) or math.isnan(fb):
            return math.nan
        if f_best == 0.0 or width <= tolerance:
            return best
        fraction = 0.5
        if fc != fb:
            xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
            if phi * phi < xi and (1.0 - phi) ** 2 < 1.0 - xi:
                fraction = fa / (fb - fa) * fc / (fb - fc)
                fraction += (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        smallest = 0.5 * tolerance / width
        fraction = min(max(fraction, smallest), 1.0 - smallest)
    return None


def _array_root(
    function: Callable[[FloatOrArray], FloatOrArray],
    bracket: Sequence[FloatArray],
    tolerance: float,
    maximum_iterations: int,
) -> FloatArray:
    lower, upper, f_lower, f_upper = a, b, fa, fb = bracket
    bracketed = fa * fb < 0.0
    found = np.full(a.shape, math.nan)
    fraction = np.full(a.shape, 0.5)
    for _ in range(maximum_iterations):
        x = a + fraction * (b - a)
        fx = np.asarray(function(x), dtype=np.float64)
        same = (fx > 0.0) == (fa > 0.0)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        closer = np.abs(fa) < np.abs(fb)
        best, f_best = np.where(closer, a, b), np.where(closer, fa, fb)
        width = np.abs(b - a)
        arrived = bracketed & np.isnan(found) & ((f_best == 0.0) | (width <= tolerance))
        found[arrived] = best[arrived]
        if not np.any(bracketed & np.isnan(found) & ~np.isnan(fx)):
            break
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        interpolated = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        safe = (phi * phi < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        smallest = 0.5 * tolerance / np.maximum(width, tolerance)
        fraction = np.clip(np.where(safe, interpolated, 0.5), smallest, 1.0 - smallest)
    return np.where(f_lower == 0.0, lower, np.where(f_upper == 0.0, upper, found))


def find_root_newton(
    function_and_slope: Callable[[FloatOrArray], tuple[FloatOrArray, FloatOrArray]],
    start: FloatOrArray,
    lower: FloatOrArray,
    upper: FloatOrArray,
    *,
    quantity: str,
    tolerance: float = 1e-10,
    maximum_iterations: int = MAXIMUM_ITERATIONS,
) -> FloatOrArray:
    """Find the root of an increasing function by Newton's method, kept inside a shrinking bracket.

    Parameters
    ----------
    function_and_slope : callable
        Gives the value and the slope at a float or array; the function must increase in the bracket [-].
    start : float or array
        First guess, inside the bracket [unit of the root].
    lower, upper : float or array
        Ends of the bracket [unit of the root].
    quantity : str
        What is being solved for, for the message [-].
    tolerance : float
        Length of the last step, relative to the root's magnitude [-].
    maximum_iterations : int
        Hard limit [-].

    Returns
    -------
    float or array
        The root [unit of the root].

    Raises
    ------
    NotConvergedError
        A scalar: no root in the bracket, or the limit of iterations reached.

    Notes
    -----
    Valid for any increasing function with a slope; accurate to ``tolerance``, in practice to the last digits
    because convergence is quadratic. A step that would leave the bracket is replaced by a bisection. A root
    outside the bracket is not found: the bracket shrinks onto that end, Newton's step stays long, and the
    limit of iterations ends it. NaN anywhere gives NaN.

    References
    ----------
    W. H. Press et al., Numerical Recipes, 3rd ed., Cambridge University Press (2007), section 9.4.

    Examples
    --------
    >>> find_root_newton(lambda x: (x * x - 2.0, 2.0 * x), 1.0, 0.0, 2.0, quantity="square root of 2")
    1.4142135623
    """
    x = start
    for _ in range(maximum_iterations):
        value, slope = function_and_slope(x)
        xp = functions_for(value)
        lower = xp.where(value < 0.0, x, lower)
        upper = xp.where(value > 0.0, x, upper)
        step = value / slope
        new = x - step
        new = xp.where((new >= lower) & (new <= upper), new, 0.5 * (lower + upper))
        x = xp.where(xp.isnan(value), math.nan, new)
        moving = xp.absolute(step) > tolerance * xp.absolute(new)  # NaN does not move
        if not xp.some(moving):
            return x
    if isinstance(moving, np.ndarray):
        return np.where(moving, math.nan, x)
    raise NotConvergedError(quantity, maximum_iterations, f"the bracket has shrunk to {lower} ... {upper}")
