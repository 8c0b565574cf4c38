"""Which stroke rate counts as a stall today: the pump's own, or a lower one that the site has accepted."""

from __future__ import annotations

import datetime
import math

from config.site import Pump
from daemon.model import Result, Status

_SECONDS_A_DAY = 86400.0
_EPOCH_DAY = datetime.date(1970, 1, 1).toordinal()


def stall_rate(pump: Pump, time: float) -> Result:
    """Return the stroke rate below which the pump counts as stalling [strokes/s].

    An accepted rate holds from the day on which it was accepted to the day on which it expires, both
    included. Days are UTC days: what a replay of history decides must not hang on a time zone file.

    Parameters
    ----------
    pump : Pump
        The pump in service.
    time : float
        Now [POSIX s].
    """
    accepted = pump.accepted_stall_rate
    if accepted is not None:
        today = _EPOCH_DAY + math.floor(time / _SECONDS_A_DAY)
        if accepted.accepted_on.toordinal() <= today <= accepted.expires_on.toordinal():
            return Result(accepted.stroke_rate, 0.0, Status.GOOD)
    return Result(pump.stall_rate, 0.0, Status.GOOD)


def lowest_rate(pump: Pump) -> float:
    """Return the lowest stroke rate at which the pump may ever be run on purpose [strokes/s]."""
    accepted = pump.accepted_stall_rate
    return pump.stall_rate if accepted is None else min(pump.stall_rate, accepted.stroke_rate)
