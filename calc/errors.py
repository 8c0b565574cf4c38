"""What can go wrong in a calculation; every message names the argument, its value and what would do."""

from __future__ import annotations


class CalcError(ValueError):
    """A calculation that has no trustworthy result; base of all errors of ``calc``."""


class OutOfRangeError(CalcError):
    """An argument outside the range for which a correlation is trusted.

    Parameters
    ----------
    argument : str
        Name of the argument.
    value : float
        What was given, in the argument's SI unit.
    lower, upper : float
        Allowed range, ends included.
    unit : str
        SI unit of the three numbers.
    """

    def __init__(self, argument: str, value: float, lower: float, upper: float, unit: str = "") -> None:
        self.argument = argument
        self.value = value
        self.lower = lower
        self.upper = upper
        self.unit = unit
        super().__init__(
            f"{argument} = {value:g} is outside {lower:g} to {upper:g} {unit}".rstrip(),
        )

    def __reduce__(self) -> tuple[type[OutOfRangeError], tuple[str, float, float, float, str]]:
        return type(self), (self.argument, self.value, self.lower, self.upper, self.unit)


class NotConvergedError(CalcError):
    """A root that was not found: no change of sign in the bracket, or too many iterations.

    Parameters
    ----------
    quantity : str
        What was being solved for.
    iterations : int
        How many iterations were spent; 0 when the bracket holds no root.
    reason : str
        What stood in the way.
    """

    def __init__(self, quantity: str, iterations: int, reason: str) -> None:
        self.quantity = quantity
        self.iterations = iterations
        self.reason = reason
        super().__init__(f"no {quantity} found after {iterations} iterations: {reason}")

    def __reduce__(self) -> tuple[type[NotConvergedError], tuple[str, int, str]]:
        return type(self), (self.quantity, self.iterations, self.reason)
