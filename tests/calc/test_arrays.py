"""The one convention for what is out of range, absent or an array."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from calc.arrays import ARRAY, SCALAR, ValidRange, functions_for
from calc.errors import CalcError, NotConvergedError, OutOfRangeError

RANGE = ValidRange("temperature", 250.0, 350.0, "K")


def test_a_scalar_in_range_comes_back_as_a_float() -> None:
    checked = RANGE.check(300)

    assert checked == 300.0
    assert type(checked) is float


@pytest.mark.parametrize("value", [249.9, 350.1, math.inf, -math.inf])
def test_a_scalar_out_of_range_names_argument_value_and_range(value: float) -> None:
    with pytest.raises(OutOfRangeError) as raised:
        RANGE.check(value)

    assert (raised.value.argument, raised.value.value) == ("temperature", value)
    assert (raised.value.lower, raised.value.upper) == (250.0, 350.0)
    assert str(raised.value) == f"temperature = {value:g} is outside 250 to 350 K"


def test_nan_passes_as_nan() -> None:
    assert math.isnan(RANGE.check(math.nan))


def test_an_array_loses_only_the_elements_that_are_out_of_range() -> None:
    checked = RANGE.check(np.array([200.0, 250.0, math.nan, 350.0, 1e9]))

    np.testing.assert_array_equal(checked, [math.nan, 250.0, math.nan, 350.0, math.nan])


def test_an_array_in_range_is_not_copied() -> None:
    array = np.array([260.0, 300.0])

    assert RANGE.check(array) is array


def test_whole_numbers_become_floats() -> None:
    assert RANGE.check(np.array([260, 300])).dtype == np.float64  # type: ignore[union-attr]


def test_functions_follow_the_arguments() -> None:
    assert functions_for(1.0, 2.0) is SCALAR
    assert functions_for(1.0, np.array([2.0])) is ARRAY


@pytest.mark.parametrize("functions", [SCALAR, ARRAY])
def test_smaller_and_larger_let_nan_win(functions: object) -> None:
    for choose in (functions.minimum, functions.maximum):  # type: ignore[attr-defined]
        assert math.isnan(choose(math.nan, 1.0))
        assert math.isnan(choose(1.0, math.nan))
    assert functions.minimum(1.0, 2.0) == 1.0  # type: ignore[attr-defined]
    assert functions.maximum(1.0, 2.0) == 2.0  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "error",
    [OutOfRangeError("pressure", -1.0, 0.0, 1.0, "Pa"), NotConvergedError("dew point", 60, "no root")],
)
def test_errors_survive_a_process_border(error: CalcError) -> None:
    copy = pickle.loads(pickle.dumps(error))

    assert str(copy) == str(error)
    assert vars(copy) == vars(error)
