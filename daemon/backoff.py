"""How long to wait before trying again: doubling, capped, spread so that many do not come at once."""

from __future__ import annotations


def pause(attempt: int, first: float, longest: float, spread: float) -> float:
    """Return the pause after a failed attempt [s].

    Parameters
    ----------
    attempt : int
        How many attempts have failed in a row, 1 or more.
    first : float
        Pause after the first failure [s].
    longest : float
        The pause never grows beyond this [s].
    spread : float
        A random number from 0 to 1; the pause is shortened by up to a quarter of itself.

    Examples
    --------
    >>> [pause(n, 1.0, 60.0, 0.0) for n in (1, 2, 3, 4, 7, 5000)]
    [1.0, 2.0, 4.0, 8.0, 60.0, 60.0]
    >>> pause(3, 1.0, 60.0, 1.0)
    3.0
    """
    doubled = first * 2.0 ** min(attempt - 1, 60)
    return min(doubled, longest) * (1.0 - 0.25 * spread)
