"""Times and durations as people type them, on a command line or in a query, and times as they are shown."""

from __future__ import annotations

import datetime
import re
import zoneinfo

_RELATIVE = re.compile(r"^-\s*(\d+(?:\.\d+)?)\s*([a-zA-Z]+)$")
_DURATION = re.compile(r"^(\d+(?:\.\d+)?)\s*([a-zA-Z]+)$")
_SECONDS = {
    "s": 1.0, "sec": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "d": 86400.0,
    "w": 604800.0,
}  # fmt: skip


def parse_duration(text: str) -> float:
    """Read a duration such as ``1min``, ``10 s``, ``2h``, ``7d`` in seconds.

    Raises
    ------
    ValueError
        It is none, or zero.

    Examples
    --------
    >>> parse_duration("90 s")
    90.0
    """
    match = _DURATION.match(text.strip())
    if match is None or match[2] not in _SECONDS or not float(match[1]):
        raise ValueError(f'"{text}" is no duration; write for example 10s, 1min, 2h, 7d')
    return float(match[1]) * _SECONDS[match[2]]


def parse_time(text: str, now: float, zone: datetime.tzinfo) -> float:
    """Read a moment: ISO 8601 with or without offset, ``now``, or back from now as ``-2h``.

    Parameters
    ----------
    text : str
        As typed.
    now : float
        The present moment [POSIX s].
    zone : tzinfo
        Where a time without an offset is meant.

    Returns
    -------
    float
        POSIX seconds.

    Raises
    ------
    ValueError
        It is no such moment, or one that the change of clocks makes double or skips.
    """
    text = text.strip()
    if text == "now":
        return now
    if match := _RELATIVE.match(text):
        return now - parse_duration(match[1] + match[2])
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f'"{text}" is no time; write for example 2024-02-29T06:00, 2024-02-29T06:00-07:00, now or -2h'
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
        if moment.utcoffset() != moment.replace(fold=1).utcoffset():
            raise ValueError(
                f'"{text}" falls into the hour in which the clocks change; write it with its offset, '
                f"for example {text}{_offset(moment)}"
            )
    return moment.timestamp()


def show_time(time: float, zone: datetime.tzinfo) -> str:
    """Write a moment in a zone with its offset (RFC 3339), to the millisecond where there are any.

    Examples
    --------
    >>> show_time(1_700_000_000.0, datetime.UTC)
    '2023-11-14T22:13:20+00:00'
    """
    moment = datetime.datetime.fromtimestamp(round(time, 3), zone)
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def rfc3339(time: float) -> str:
    """Write a POSIX time as UTC with milliseconds.

    Examples
    --------
    >>> rfc3339(1_700_000_000.25)
    '2023-11-14T22:13:20.250Z'
    """
    moment = datetime.datetime.fromtimestamp(time, datetime.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def zone_named(name: str) -> datetime.tzinfo:
    """Return a time zone by its name.

    Raises
    ------
    ValueError
        There is none of that name.
    """
    if name.upper() == "UTC":
        return datetime.UTC
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError):
        raise ValueError(f'"{name}" is no time zone; use a name such as America/Denver or UTC') from None


def _offset(moment: datetime.datetime) -> str:
    return moment.isoformat()[-6:]
