"""The web layer without a network."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from daemon.web.access import passwords
from tests.support.web_kit import Rig, web_rig


@pytest.fixture(autouse=True, scope="session")
def quick_hashes() -> Iterator[None]:
    """Hash passwords at a ten-thousandth of the cost; test_passwords.py looks at the real parameters."""
    patch = pytest.MonkeyPatch()
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    patch.setattr(passwords, "_HASHER", quick)
    patch.setattr(passwords, "_NOBODY", quick.hash("nobody has this password"))
    yield
    patch.undo()


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    async with web_rig(tmp_path, request_burst=1000) as built:
        yield built
