"""Slowing down who asks too often: a token bucket for requests, growing pauses for failed log-ins; pure.

Both remember a bounded number of clients; the ones that were quiet longest are forgotten first.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Generic, TypeVar

REMEMBERED = 10_000
FREE_FAILURES = 5
"""Failed log-ins in a row before the next must wait."""
LONGEST_DELAY = 300.0
"""Longest wait after failed log-ins [s]."""
FORGIVEN = 3600.0
"""A failed log-in counts no more after this time [s]."""

_T = TypeVar("_T")


class _Remembered(OrderedDict[str, _T], Generic[_T]):
    """The newest ``REMEMBERED`` clients."""

    def keep(self, key: str, value: _T) -> None:
        self[key] = value
        self.move_to_end(key)
        if len(self) > REMEMBERED:
            self.popitem(last=False)


class RequestRate:
    """A token bucket for each client.

    Parameters
    ----------
    rate : float
        Requests a second that a client may make for ever.
    burst : int
        Requests that it may make at once.
    """

    def __init__(self, rate: float, burst: int) -> None:
        self._rate = rate
        self._burst = float(burst)
        self._clients: _Remembered[tuple[float, float]] = _Remembered()

    def wait(self, client: str, now: float) -> float:
        """Count a request; return 0, or the seconds after which it would be taken.

        Examples
        --------
        >>> rate = RequestRate(2.0, 3)
        >>> [rate.wait("a", 10.0) for _ in range(4)], rate.wait("b", 10.0)
        ([0.0, 0.0, 0.0, 0.5], 0.0)
        >>> rate.wait("a", 10.5)
        0.0
        """
        level, at = self._clients.get(client, (self._burst, now))
        level = min(self._burst, level + (now - at) * self._rate)
        if level < 1.0:
            self._clients.keep(client, (level, now))
            return (1.0 - level) / self._rate
        self._clients.keep(client, (level - 1.0, now))
        return 0.0


class LoginDelays:
    """Failed log-ins by account and address, and what they cost.

    Only the pair is slowed down: nobody can lock another user out from elsewhere.
    """

    def __init__(self) -> None:
        self._pairs: _Remembered[tuple[int, float]] = _Remembered()

    def wait(self, account: str, address: str, now: float) -> float:
        """Return the seconds until the next attempt is looked at; 0 when it may come now.

        Examples
        --------
        >>> delays = LoginDelays()
        >>> for _ in range(7):
        ...     delays.failed("kim", "10.0.0.9", 100.0)
        >>> delays.wait("kim", "10.0.0.9", 100.0), delays.wait("kim", "10.0.0.9", 103.0)
        (4.0, 1.0)
        >>> delays.wait("kim", "10.0.0.7", 100.0)
        0.0
        """
        failures, at = self._pairs.get(_pair(account, address), (0, now))
        if failures < FREE_FAILURES:
            return 0.0
        delay = min(LONGEST_DELAY, 2.0 ** min(failures - FREE_FAILURES, 16))
        return max(0.0, at + delay - now)

    def failed(self, account: str, address: str, now: float) -> None:
        """Count a failed log-in."""
        key = _pair(account, address)
        failures, at = self._pairs.get(key, (0, now))
        self._pairs.keep(key, (1 if now - at > FORGIVEN else failures + 1, now))

    def succeeded(self, account: str, address: str) -> None:
        """Forget the failures of a pair."""
        self._pairs.pop(_pair(account, address), None)


def _pair(account: str, address: str) -> str:
    return f"{address} {account}"
