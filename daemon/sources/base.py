"""What every source is, and how a raw number becomes a reading.

A source runs for as long as the daemon does. Trouble in the field (no connection, no answer, nonsense) is
its normal business: it is told in readings and links on the board, never by an exception.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from config.quantities import Quantity
from config.signals import SignalBase, conversion_of, quantity_of
from config.units import UnitContext
from daemon.model import Reading, Status


class Source(Protocol):
    """Reads one controller or broker and puts what it learns on the board. It has no way to write."""

    @property
    def name(self) -> str:
        """Name of the controller or broker, as the site file gives it."""
        ...

    async def run(self) -> None:
        """Read until cancelled; never returns and never raises for anything that happens in the field."""
        ...


@dataclass(frozen=True, slots=True)
class Scaling:
    """How a signal's raw number becomes its SI value, resolved once when the site is loaded.

    ``si = raw * factor + offset``; a state is 1.0 for any raw number but 0, or the other way round when
    it is ``inverted``.
    """

    factor: float = 1.0
    offset: float = 0.0
    is_state: bool = False
    inverted: bool = False

    def to_si(self, raw: float) -> float:
        """Convert one raw number."""
        if self.is_state:
            return 1.0 if (raw != 0.0) is not self.inverted else 0.0
        return raw * self.factor + self.offset


def scaling_of(name: str, signal: SignalBase, context: UnitContext) -> Scaling:
    """Resolve scale, offset and unit of a signal into one factor and one offset.

    Parameters
    ----------
    name : str
        The signal's name in its unit.
    signal : SignalBase
        Its configuration.
    context : UnitContext
        Barometric pressure and gas base of the site.

    Raises
    ------
    ValueError
        No quantity, or (as ``config.units.UnitError``) a unit that does not fit it.
    """
    if quantity_of(name, signal) is Quantity.STATE:
        return Scaling(is_state=True, inverted=signal.inverted)
    to_si = conversion_of(name, signal, context)
    return Scaling(signal.scale * to_si.factor, signal.offset * to_si.factor + to_si.offset)


def measured(raw: float, scaling: Scaling, time: float, received: float) -> Reading:
    """Make a reading of a raw number; what is not a finite number is bad and absent.

    Parameters
    ----------
    raw : float
        As the wire carried it, before scale and offset.
    scaling : Scaling
        Of its signal.
    time : float
        When the source measured it [POSIX s].
    received : float
        When the daemon received it [monotonic s].
    """
    value = scaling.to_si(raw) if math.isfinite(raw) else raw
    if not math.isfinite(value):
        return Reading(None, Status.BAD_SENSOR_FAILURE, time, received, f"the device sent {raw}")
    return Reading(value, Status.GOOD, time, received)
