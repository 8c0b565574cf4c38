"""Which stroke rate counts as a stall today: the pump's own, or a lower one that the site has accepted.

A pump that runs below its maker's stall rate by a signed acceptance is no alarm, for there is nothing to do:
it is noted once. What needs somebody is the end of the acceptance: then the pump's own rate counts again.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import Any

from config.site import AcceptedStallRate, Pump
from daemon.model import Result, Status
from daemon.monitor.outlook.view import ABSENT

ENDS_SOON = 30.0
"""The end of an acceptance is told so long before it [d]: time to renew it or change the pump; ours."""
NOTED_AFTER = 900.0
"""Noted once it has run below its maker's rate for so long [s]: starts and changes of speed pass."""
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
    holds = accepted is not None and _days_left(accepted, time) is not None
    return Result(accepted.stroke_rate if accepted and holds else pump.stall_rate, 0.0, Status.GOOD)


def _days_left(accepted: AcceptedStallRate, time: float) -> int | None:
    """Return how many days an acceptance holds after today; ``None`` where it does not hold."""
    today = _EPOCH_DAY + math.floor(time / _SECONDS_A_DAY)
    if not accepted.accepted_on.toordinal() <= today <= accepted.expires_on.toordinal():
        return None
    return accepted.expires_on.toordinal() - today


def lowest_rate(pump: Pump) -> float:
    """Return the lowest stroke rate at which the pump may ever be run on purpose [strokes/s]."""
    accepted = pump.accepted_stall_rate
    return pump.stall_rate if accepted is None else min(pump.stall_rate, accepted.stroke_rate)


class AcceptanceWatch:
    """Watches a pump that may run below its maker's stall rate by a signed acceptance."""

    def __init__(self, pump: Pump) -> None:
        self._pump = pump
        self._since: float | None = None
        self._noted = ""

    def look(self, time: float, now: float, rate: Result) -> tuple[Result | None, bool]:
        """Judge one scan.

        Parameters
        ----------
        time : float
            Now [POSIX s].
        now : float
            Now on the monitor's time line [s].
        rate : Result
            The stroke rate.

        Returns
        -------
        tuple
            ``stall_acceptance_ends_soon`` (1 while the pump needs an acceptance that ends soon), ``None``
            where the site has accepted nothing; and whether it is to be noted now that the pump runs by it.
        """
        accepted = self._pump.accepted_stall_rate
        if accepted is None:
            return None, False
        if rate.usable is None:
            return Result(None, None, ABSENT, f"stroke_rate: {rate.reason or rate.status.opc_ua_name}"), False
        left = _days_left(accepted, time)
        below = left is not None and 0.0 < rate.usable < self._pump.stall_rate
        if not below:
            self._since = None
        elif self._since is None:
            self._since = now
        signed = f"{accepted.accepted_on} {accepted.expires_on} {accepted.stroke_rate!r}"
        note = self._since is not None and now - self._since >= NOTED_AFTER and self._noted != signed
        if note:
            self._noted = signed
        soon = below and left is not None and left <= ENDS_SOON
        return Result(float(soon), 0.0, Status.GOOD, self.words), note

    @property
    def words(self) -> str:
        """Who accepted it, until when and why."""
        accepted = self._pump.accepted_stall_rate
        if accepted is None:
            return ""
        return f"accepted by {accepted.accepted_by} until {accepted.expires_on}: {accepted.reason}"

    def save(self) -> list[object]:
        """Return the state as JSON values."""
        return [self._since, self._noted]

    def restore(self, saved: Sequence[Any]) -> None:
        """Take over a saved state."""
        self._since, self._noted = saved
