"""What a test knows of a value and a type checker does not: said, and checked when the test runs."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray

T = TypeVar("T")


def present(value: T | None) -> T:
    """Return a value that is there."""
    assert value is not None
    return value


def array(value: object) -> NDArray[np.float64]:
    """Return what a function of floats or arrays made of arrays."""
    assert isinstance(value, np.ndarray)
    return value


def near(value: float, *, rel: float | None = None, abs: float | None = None) -> Any:  # noqa: A002 - as pytest calls it
    """Return ``pytest.approx`` to stand inside a tuple, a list or a record that is compared as a whole."""
    return pytest.approx(value, rel=rel, abs=abs)
