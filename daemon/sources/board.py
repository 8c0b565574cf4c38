"""The board: the newest reading of every signal and the state of every link.

Sources write, units read, both on the one event loop: nothing is locked and nothing is queued. A unit that
evaluates late sees the newest values, not a backlog of old ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from config.site import Site
from daemon.clock import Clock
from daemon.model import Link, LinkState, Reading, Status


class Board:
    """The newest reading of every configured signal by unit, and the link of every controller by name.

    Every signal has a reading from the start (bad, waiting for initial data) and every controller a link
    (connecting), so that what never arrives is visible too.
    """

    def __init__(self, site: Site, clock: Clock) -> None:
        wall, now = clock.wall(), clock.monotonic()
        waiting = Reading(None, Status.BAD_WAITING_FOR_INITIAL_DATA, wall, now, "nothing received yet")
        connecting = Link(LinkState.CONNECTING, now, reason="not tried yet")
        self._readings = {unit.name: dict.fromkeys(unit.signals, waiting) for unit in site.units}
        self._links = {controller.name: connecting for controller in site.controllers}
        self._controllers = {
            unit.name: tuple(sorted({signal.controller for signal in unit.signals.values()}))
            for unit in site.units
        }
        self._callbacks: dict[str, list[Callable[[], None]]] = {name: [] for name in self._links}

    def put(self, unit: str, signal: str, reading: Reading) -> None:
        """Replace the newest reading of one signal.

        Raises
        ------
        KeyError
            No such unit or signal in the site file.
        """
        readings = self._readings[unit]
        if signal not in readings:
            raise KeyError(f'unit "{unit}" has no signal "{signal}"')
        readings[signal] = reading

    def put_many(self, unit: str, readings: Mapping[str, Reading]) -> None:
        """Replace the newest readings of several signals of one unit.

        Raises
        ------
        KeyError
            No such unit, or a signal that the unit does not have; then nothing is replaced.
        """
        known = self._readings[unit]
        if not readings.keys() <= known.keys():
            unknown = ", ".join(sorted(readings.keys() - known.keys()))
            raise KeyError(f'unit "{unit}" has no signal "{unknown}"')
        known.update(readings)

    def set_link(self, controller: str, link: Link) -> None:
        """Replace what is known of the connection to one controller.

        Raises
        ------
        KeyError
            No such controller in the site file.
        """
        if controller not in self._links:
            raise KeyError(f'the site has no controller "{controller}"')
        self._links[controller] = link

    def cycle_done(self, controller: str) -> None:
        """Tell whoever waits for it that a poll cycle, or a batch of messages, is on the board."""
        for callback in tuple(self._callbacks[controller]):
            callback()

    def on_cycle(self, controller: str, callback: Callable[[], None]) -> Callable[[], None]:
        """Call back at the end of every cycle of one controller; returns the function that ends this.

        The callback runs inside the source's task: it must be short and must not raise.
        """
        callbacks = self._callbacks[controller]
        callbacks.append(callback)
        return lambda: callbacks.remove(callback)

    def readings(self, unit: str) -> Mapping[str, Reading]:
        """Return a snapshot of one unit's readings by signal name; later readings do not change it."""
        return self._readings[unit].copy()

    def reading(self, unit: str, signal: str) -> Reading:
        """Return the newest reading of one signal."""
        return self._readings[unit][signal]

    def links(self, unit: str) -> Mapping[str, Link]:
        """Return the links of the controllers that one unit's signals come from, by controller name."""
        return {name: self._links[name] for name in self._controllers[unit]}

    def link(self, controller: str) -> Link:
        """Return the link of one controller."""
        return self._links[controller]

    def controllers(self) -> Iterable[str]:
        """Return the names of all controllers and brokers."""
        return self._links.keys()
