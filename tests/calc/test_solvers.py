"""Roots are found, or their absence is said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.arrays import FloatOrArray
from calc.errors import NotConvergedError
from calc.solvers import find_root, find_root_newton


@given(root=st.floats(-0.99, 0.99), power=st.sampled_from([1, 3, 5]), sign=st.sampled_from([1.0, -1.0]))
def test_a_bracketed_root_is_found(root: float, power: int, sign: float) -> None:
    def function(x: FloatOrArray) -> FloatOrArray:
        return sign * ((x - root) + (x - root) ** power)

    found = find_root(function, -1.0, 1.0, quantity="root", tolerance=1e-12)
    many = find_root(function, np.array([-1.0, -1.0]), np.array([1.0, 1.5]), quantity="root", tolerance=1e-12)

    assert found == pytest.approx(root, abs=1e-11)
    np.testing.assert_allclose(many, root, atol=1e-11)


@pytest.mark.parametrize("end", [0.0, 2.0])
def test_a_root_at_an_end_is_found(end: float) -> None:
    assert find_root(lambda x: x - end, 0.0, 2.0, quantity="root") == end
    np.testing.assert_array_equal(
        find_root(lambda x: x - end, np.array([0.0]), np.array([2.0]), quantity="root"), [end]
    )


def test_no_change_of_sign_is_an_error_for_a_scalar_and_nan_in_an_array() -> None:
    with pytest.raises(
        NotConvergedError, match="no square root of -1 found after 0 iterations: no change of"
    ):
        find_root(lambda x: x * x + 1.0, 0.0, 2.0, quantity="square root of -1")

    target = np.array([2.0, -1.0, 1.0])
    found = find_root(lambda x: x * x - target, 0.0, np.full(3, 2.0), quantity="square root")
    np.testing.assert_allclose(found, [math.sqrt(2.0), math.nan, 1.0], atol=1e-8)


def test_nan_in_nan_out() -> None:
    assert math.isnan(find_root(lambda x: x * math.nan, 0.0, 1.0, quantity="root"))
    assert math.isnan(
        find_root_newton(lambda x: (x * math.nan, x * math.nan), 0.5, 0.0, 1.0, quantity="root")
    )


def test_the_limit_of_iterations_is_hard() -> None:
    calls = 0

    def function(x: FloatOrArray) -> FloatOrArray:
        nonlocal calls
        calls += 1
        return x - 1.0 / 3.0

    with pytest.raises(NotConvergedError) as raised:
        find_root(lambda x: function(x) ** 3, 0.0, 1.0, quantity="root", tolerance=0.0, maximum_iterations=5)

    assert raised.value.iterations == 5
    assert calls == 7  # both ends and five points between


@given(target=st.floats(1e-6, 1e6))
def test_newton_stays_in_its_bracket_from_a_bad_start(target: float) -> None:
    def cube(x: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
        return x**3 - target, 3.0 * x * x

    found = find_root_newton(cube, 1e-2, 1e-3, 1e3, quantity="cube root")
    many = find_root_newton(cube, np.array([1e-2, 900.0]), 1e-3, 1e3, quantity="cube root")

    assert found == pytest.approx(target ** (1.0 / 3.0), rel=1e-9)
    np.testing.assert_allclose(many, found, rtol=1e-9)


def test_newton_without_a_root_says_so() -> None:
    def line(x: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
        return x - 5.0, 1.0 + 0.0 * x

    with pytest.raises(NotConvergedError, match="no root of a line found"):
        find_root_newton(line, 0.5, 0.0, 1.0, quantity="root of a line")
    assert np.isnan(find_root_newton(line, np.array([0.5]), 0.0, 1.0, quantity="root of a line")).all()
