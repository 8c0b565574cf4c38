"""A plant for the field simulator's tests, and runs of it under a constant upset."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from random import Random

from daemon.fieldsim.design import PlantDesign, size_plant
from daemon.fieldsim.plant import advance, start
from daemon.fieldsim.state import UNDISTURBED, PlantInputs, PlantState

GALLON = 3.785411784e-3
DESIGN: PlantDesign = size_plant(
    displacement=0.024 * GALLON,
    stall_rate=10.0 / 60.0,
    maximum_rate=40.0 / 60.0,
    reboiler_set_point=471.48,  # 389 degF
    trays=8,
    barometric_pressure=94.2e3,  # about 2000 ft
    still_back_pressure=1.4e3,
)


@cache
def settled(seed: int = 1) -> PlantState:
    return start(DESIGN, Random(f"start {seed}"))


def run(
    inputs: PlantInputs = UNDISTURBED,
    *,
    seconds: float,
    step: float = 5.0,
    seed: int = 1,
    state: PlantState | None = None,
    time_factor: float = 1.0,
) -> Iterator[PlantState]:
    """Yield the plant's states after each step, from the settled plant unless told otherwise."""
    rng = Random(f"run {seed}")
    state = state or settled(seed)
    for _ in range(round(seconds / step)):
        state = advance(DESIGN, state, step, inputs, rng, time_factor)
        yield state


def last(states: Iterator[PlantState]) -> PlantState:
    *_, state = states
    return state


def mean(states: list[PlantState], of: Callable[[PlantState], float]) -> float:
    return sum(map(of, states)) / len(states)
