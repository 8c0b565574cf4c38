"""Garbage that is made slowly does not lie about for long."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import weakref

import pytest

from daemon.cli import run


class Cycle:
    """An object that only the garbage collector can free."""

    def __init__(self) -> None:
        self.me = self


async def test_what_is_left_behind_is_freed_by_time_not_only_by_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(run, "COLLECT_EVERY", 0.0)
    freed = asyncio.Event()
    gc.disable()
    try:
        tidying = asyncio.create_task(run.collect_now_and_then())
        weakref.finalize(Cycle(), freed.set)
        assert not freed.is_set()
        await asyncio.wait_for(freed.wait(), 10)
        tidying.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await tidying
    finally:
        gc.enable()
