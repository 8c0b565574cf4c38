"""A task that fails comes back, alone, and more slowly while it keeps failing."""

from __future__ import annotations

import asyncio
import itertools

import pytest
from structlog.testing import capture_logs

from daemon.clock import SystemClock
from daemon.supervisor import TaskFigures, keep_running


@pytest.mark.looptime
async def test_failures_are_logged_counted_and_paused(looptime: object) -> None:
    figures = TaskFigures()
    starts: list[float] = []

    async def run() -> None:
        starts.append(asyncio.get_running_loop().time())
        if len(starts) == 3:
            return
        raise ValueError(f"number {len(starts)}")

    with capture_logs() as logs:
        task = asyncio.create_task(keep_running("a source", run, SystemClock(), figures))
        await asyncio.sleep(4.0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    assert [entry["event"] for entry in logs[:3]] == ["task_failed", "task_failed", "task_ended"]
    assert figures.restarts >= 3
    assert not figures.settled(figures.last_end + 59.0)
    assert figures.settled(figures.last_end + 60.0)
    assert "number" in figures.last_failure or figures.last_failure == "ended unexpectedly"
    gaps = [later - earlier for earlier, later in itertools.pairwise(starts)]
    assert 0.375 <= gaps[0] <= 0.5
    assert 0.75 <= gaps[1] <= 1.0


async def test_cancellation_passes_through() -> None:
    figures = TaskFigures()
    entered = asyncio.Event()

    async def run() -> None:
        entered.set()
        await asyncio.Event().wait()

    task = asyncio.create_task(keep_running("a source", run, SystemClock(), figures))
    await entered.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task

    assert figures.restarts == 0
