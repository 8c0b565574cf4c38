"""What the journal keeps so that history can be stepped through again: inputs of a step, saved states.

A scan row holds readings after the checks. What they do not tell is kept beside it, and only where there is
something to tell: raw readings that a check changed, links that are not simply up, an operator's request. A
healthy scan costs nothing. The monitor's whole state is kept every few hours, so that a replay need not begin
at the beginning.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping
from typing import Any

from daemon.model import ActionKind, Link, LinkState, OperatorAction, Outcome, Reading, Status, StepInput

KEEP_STATE_EVERY = 6 * 3600.0
"""Time between two saved states that are kept [s]; a replay steps through half of it to warm up."""
_LONGEST_REASON = 500  # bytes; a scan row keeps no more of a reason

Kept = dict[str, float]
"""When a state of each unit was kept last [monotonic s of this run]."""


def store_step(
    connection: sqlite3.Connection, outcome: Outcome, unit: int, boot: int, place: tuple[int, int], kept: Kept
) -> None:
    """Keep what a replay needs of an outcome, within the caller's transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
        The writer's, in a transaction.
    outcome : Outcome
        What was stored.
    unit, boot : int
        Numbers of its unit and of this start.
    place : tuple of int
        Sequences of its first and last entry.
    kept : dict
        When a state of each unit was kept last; is brought up to date.
    """
    first, last = place
    text = None if outcome.given is None or last < first else pack_given(outcome.given, outcome.signals)
    if text is not None:
        connection.execute("INSERT INTO step_input (sequence, body) VALUES (?, ?)", (first, text))
    if outcome.checkpoint is not None and last >= first:
        before = kept.get(outcome.unit)
        if before is None or not 0.0 <= outcome.monotonic - before < KEEP_STATE_EVERY:
            connection.execute(
                "INSERT INTO kept_state (sequence, unit, time, boot, body) VALUES (?, ?, ?, ?, ?)",
                (last, unit, outcome.time, boot, outcome.checkpoint),
            )
            kept[outcome.unit] = outcome.monotonic


def pack_given(given: StepInput, signals: Mapping[str, Reading]) -> str | None:
    """Write as JSON what the stored signals do not tell; ``None`` when they tell all.

    A link that is up, has answered and has nothing to say is not written: that is how a replay takes a link
    of which nothing is known. ``since`` and ``last_good`` are kept as far as decisions rest on them: whether
    there has been a good answer at all.
    """
    data: dict[str, Any] = {}
    raw = dict(given.raw)
    for name, reading in signals.items():
        if len(reading.reason) * 4 > _LONGEST_REASON and len(reading.reason.encode()) > _LONGEST_REASON:
            raw.setdefault(name, reading)
    if raw:
        data["raw"] = {name: _pack_reading(reading) for name, reading in raw.items()}
    links = {
        name: [link.state.value, link.reason, math.isfinite(link.last_good)]
        for name, link in given.links.items()
        if link.state is not LinkState.UP or link.reason or not math.isfinite(link.last_good)
    }
    if links:
        data["links"] = links
    if given.action is not None:
        action = given.action
        data["action"] = {name: getattr(action, name) for name in OperatorAction.__slots__ if name != "unit"}
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")) if data else None


def unpack_given(unit: str, text: str | None, monotonic: float) -> StepInput:
    """Read it back; ``monotonic`` is the time of the scan."""
    if text is None:
        return StepInput()
    data = json.loads(text)
    raw = {name: _unpack_reading(cells) for name, cells in data.get("raw", {}).items()}
    links = {
        name: Link(LinkState(state), monotonic, monotonic if answered else -math.inf, reason)
        for name, (state, reason, answered) in data.get("links", {}).items()
    }
    action = data.get("action")
    if action is not None:
        action = OperatorAction(unit=unit, **{**action, "kind": ActionKind(action["kind"])})
    return StepInput(raw, links, action)


def _pack_reading(reading: Reading | None) -> list[Any] | None:
    if reading is None:
        return None
    value = reading.value
    # JSON has no NaN and no infinity; their names will do.
    shown = value if value is None or math.isfinite(value) else str(value)
    return [shown, int(reading.status), reading.time, reading.received, reading.reason]


def _unpack_reading(cells: list[Any] | None) -> Reading | None:
    if cells is None:
        return None
    value, status, time, received, reason = cells
    return Reading(None if value is None else float(value), Status(status), time, received, reason)
