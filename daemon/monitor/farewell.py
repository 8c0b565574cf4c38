"""The last word on a unit that is no longer configured: whoever was told of an alarm hears that it ended."""

from __future__ import annotations

import json

from daemon.model import OperatingState, Outcome
from daemon.monitor.alarms.engine import Departure, departed
from daemon.monitor.unit_monitor import SavedStateError


def farewell(unit: str, saved: str, time: float, monotonic: float, departure: Departure) -> Outcome | None:
    """Return the ends of all alarms of a unit that is no longer configured; ``None`` where none stood.

    The saved state that goes with them has no alarms, so a unit that comes back raises what is true then.

    Raises
    ------
    SavedStateError
        ``saved`` is not what a monitor of this unit saved.
    """
    try:
        state = json.loads(saved)
        ends, state["alarms"] = departed(unit, state["alarms"], time, departure)
    except (ValueError, KeyError, TypeError) as error:
        raise SavedStateError(f"saved state of {unit} cannot be read: {error!r}") from error
    if not ends:
        return None
    checkpoint = json.dumps(state, allow_nan=False, separators=(",", ":"))
    return Outcome(
        unit, 0, time, monotonic, OperatingState.UNKNOWN, {}, {}, alarms=ends, checkpoint=checkpoint
    )
