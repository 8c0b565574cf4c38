"""What the outlook sees of a unit at one instant, and how its results say what they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.model import OperatingState, Quality, Reading, Result, Status

ABSENT = Status.BAD_DEPENDENT_VALUE_CHANGED


@dataclass(frozen=True, slots=True)
class View:
    """Checked readings, results and operating state of one scan; ``now`` is the monitor's time line [s]."""

    time: float
    now: float
    state: OperatingState
    signals: Mapping[str, Reading]
    results: Mapping[str, Result]

    def source(self, name: str) -> Reading | Result | None:
        """Return a result, or a signal of that name where there is no such result."""
        return self.results.get(name) or self.signals.get(name)

    def value(self, name: str) -> float | None:
        """Return a usable value, else ``None``."""
        found = self.source(name)
        return None if found is None else found.usable

    def good(self, name: str) -> float | None:
        """Return a value that nothing is wrong with, else ``None``: only such a value may teach anything."""
        found = self.source(name)
        return found.value if found is not None and found.quality is Quality.GOOD else None

    def truth(self, name: str) -> bool | None:
        """Return a state as true or false, ``None`` where it is not known."""
        value = self.value(name)
        return None if value is None else value >= 0.5

    @property
    def drying(self) -> bool:
        """Whether gas is being dried."""
        return self.state is OperatingState.DRYING

    @property
    def circulating(self) -> bool:
        """Whether glycol is meant to go round."""
        return self.state in {OperatingState.DRYING, OperatingState.BYPASS_OPEN}


def resting_on(view: View, names: tuple[str, ...], value: float, uncertainty: float | None = None) -> Result:
    """Return a result that is as good as the worst of what it rests on."""
    for name in names:
        found = view.source(name)
        if found is None or found.usable is None:
            return Result(None, None, ABSENT, _complaint(name, found))
    for name in names:
        found = view.source(name)
        if found is not None and found.quality is Quality.UNCERTAIN:
            status = Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED
            return Result(value, uncertainty, status, _complaint(name, found))
    return Result(value, uncertainty, Status.GOOD)


def absent(reason: str, status: Status = ABSENT) -> Result:
    """Return a result without a value, with its reason."""
    return Result(None, None, status, reason)


def waiting(reason: str) -> Result:
    """Return a result that will come when enough has been seen."""
    return absent(reason, Status.BAD_WAITING_FOR_INITIAL_DATA)


def _complaint(name: str, found: Reading | Result | None) -> str:
    return f"{name}: {'not measured' if found is None else found.reason or found.status.opc_ua_name}"
