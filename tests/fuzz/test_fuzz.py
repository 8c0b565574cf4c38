"""No bytes from outside break a decoder. Seconds here; ``tests/fuzz/mutation.py`` runs for hours."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.modbus_server import fuzz
from tests.fuzz.mutation import run
from tests.fuzz.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_the_seeds_are_taken(name: str) -> None:
    for seed in TARGETS[name].seeds:
        TARGETS[name].run(seed)


@pytest.mark.parametrize("name", [name for name in TARGETS if name != "site file"])
@given(data=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(name: str, data: bytes) -> None:
    TARGETS[name].run(data)


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_changed_valid_input_is_read_or_refused(name: str) -> None:
    taken = run(TARGETS[name], 6.0, seed=20260115)
    print(f"{name}: {taken} inputs in 6 s")
    assert taken > 20


@pytest.mark.parametrize("seconds", [1.0, pytest.param(20.0, marks=pytest.mark.slow)])
async def test_the_modbus_server_stands_what_broken_clients_send(seconds: float) -> None:
    figures = await fuzz(seconds, seed=20260115)
    print(figures)
    assert figures.frames > 100
    assert figures.exceptions > 10
    assert figures.answers > figures.exceptions
    assert figures.honest > 10
    assert figures.grown < 50.0
