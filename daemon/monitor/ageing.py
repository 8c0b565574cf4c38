"""How old a reading may be: staleness, the state of its link, the clock of its source.

Age is judged on the monotonic clock from receipt, so that a stepping wall clock ages nothing. Limits: three
periods without news make a value uncertain, ten make it bad (a proposal; QARTOD's gap test asks only that
there be a limit).
"""

from __future__ import annotations

from daemon.model import Link, LinkState, Quality, Reading, Status
from daemon.monitor.moment import Moment
from daemon.monitor.specs import SignalSpec

UNCERTAIN_AFTER = 3.0
"""Periods without news after which a value is only the last usable one."""
BAD_AFTER = 10.0
"""Periods without news after which a value is absent."""
AHEAD_LIMIT = 2.0
"""Least lead of a source's stamp over receipt that makes it doubtful [s]; or two periods."""
BEHIND_LIMIT = 60.0
"""Least lag of a source's stamp behind receipt that makes a value an old one [s]; or ten periods."""

Verdict = tuple[Status, str]
"""What a check found: the status and, in words, why. No verdict means nothing was found."""


def link_down(link: Link | None) -> bool:
    """Whether nothing can come from this controller now; a link that is still trying counts as down."""
    return link is not None and (link.state is LinkState.DOWN or link.state is LinkState.CONNECTING)


def age_verdict(spec: SignalSpec, age: float, link: Link | None) -> Verdict | None:
    """Judge a reading by its age [s] and the link it came over."""
    down = link_down(link)
    if spec.comes_with_events and not down:
        return None
    if age > BAD_AFTER * spec.period:
        if not down or link is None:
            return Status.BAD_TIMEOUT, f"no update for {age:.3g} s, expected every {spec.period:g} s"
        never = link.last_good == float("-inf")
        status = Status.BAD_NOT_CONNECTED if never else Status.BAD_NO_COMMUNICATION
        return status, f"{_link_words(spec, link)}; no update for {age:.3g} s"
    if down and link is not None:
        return Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE, _link_words(spec, link)
    if age > UNCERTAIN_AFTER * spec.period:
        reason = f"no update for {age:.3g} s, expected every {spec.period:g} s"
        return Status.UNCERTAIN_LAST_USABLE_VALUE, reason
    return None


def clock_verdict(spec: SignalSpec, reading: Reading, moment: Moment) -> Verdict | None:
    """Judge a source's own time stamp against the time of receipt.

    Ahead of receipt the clocks disagree. Far behind it the value was buffered on the way, or the source's
    clock is slow; either way it does not tell what is happening now.
    """
    if not spec.has_source_time:
        return None
    ahead = reading.time - (moment.time - (moment.monotonic - reading.received))
    if ahead > max(AHEAD_LIMIT, 2.0 * spec.period):
        return Status.UNCERTAIN_SENSOR_NOT_ACCURATE, f"source's clock is {ahead:.3g} s ahead of this box"
    if -ahead > max(BEHIND_LIMIT, BAD_AFTER * spec.period):
        reason = f"stamped {-ahead:.3g} s before receipt: buffered on the way, or the source's clock is slow"
        return Status.UNCERTAIN_LAST_USABLE_VALUE, reason
    return None


class HeartbeatWatch:
    """Watches the register that a controller changes at every scan of its own.

    A controller that answers with frozen registers looks alive on the wire. The verdict holds for every
    signal of that controller.
    """

    def __init__(self, spec: SignalSpec) -> None:
        self.spec = spec
        self._value: float | None = None
        self._changed = 0.0

    def observe(self, reading: Reading | None, moment: Moment) -> Verdict | None:
        """Take the newest reading; return what it says of the whole controller."""
        if reading is None or reading.quality is Quality.BAD or reading.value is None:
            return None  # ageing tells of a register that does not come at all
        received = moment.received(reading)
        if reading.value != self._value:
            self._value, self._changed = reading.value, received
            return None
        still = received - self._changed
        period = self.spec.period
        reason = (
            f"{self.spec.name} of {self.spec.controller} has not moved for {still:.3g} s: its program stands"
        )
        if still > max(15.0, BAD_AFTER * period):
            return Status.BAD_DEVICE_FAILURE, reason
        if still > max(5.0, UNCERTAIN_AFTER * period):
            return Status.UNCERTAIN_LAST_USABLE_VALUE, reason
        return None

    def save(self) -> dict[str, object]:
        """Return the state as JSON values."""
        return {"value": self._value, "changed": self._changed}

    def restore(self, state: dict[str, float]) -> None:
        """Take over a saved state."""
        self._value, self._changed = state["value"], state["changed"]


def _link_words(spec: SignalSpec, link: Link) -> str:
    because = f": {link.reason}" if link.reason else ""
    return f"{spec.controller} is {link.state.value}{because}"
