"""Tasks that are meant to run for ever: one that ends or fails is an incident, and is started again.

A defect in one source, sink or server must not take the others with it, nor end silently. So every such
task is watched: its end is logged with its cause, counted, and followed by a new start after a pause that
grows while it keeps failing.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from daemon.backoff import pause
from daemon.clock import Clock

log = structlog.get_logger(__name__)

FIRST_PAUSE = 0.5
LONGEST_PAUSE = 30.0
SETTLED = 60.0
"""A task that ran this long is taken to be well again [s]."""


@dataclass(slots=True)
class TaskFigures:
    """How often a task has ended against expectation, and why it last did."""

    restarts: int = 0
    last_failure: str = ""
    last_end: float = -math.inf
    """When it last ended [monotonic s]."""

    def settled(self, now: float) -> bool:
        """Whether it has run long enough since its last end to be taken for well."""
        return now - self.last_end >= SETTLED


async def keep_running(
    name: str, run: Callable[[], Awaitable[None]], clock: Clock, figures: TaskFigures
) -> None:
    """Run an eternal task, again and again, until cancelled.

    Parameters
    ----------
    name : str
        What people call the task.
    run : callable
        Starts it anew at every call.
    clock : Clock
        Tells how long it ran.
    figures : TaskFigures
        Where its ends are counted.
    """
    failures = 0
    while True:
        started = clock.monotonic()
        try:
            await run()
            figures.last_failure = "ended unexpectedly"
            log.warning("task_ended", task=name)
        except Exception as error:
            figures.last_failure = f"{type(error).__name__}: {error}"
            log.exception("task_failed", task=name)
        figures.restarts += 1
        figures.last_end = clock.monotonic()
        failures = 1 if figures.last_end - started >= SETTLED else failures + 1
        await asyncio.sleep(pause(failures, FIRST_PAUSE, LONGEST_PAUSE, random.random()))  # noqa: S311 - spread only
