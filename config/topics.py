"""MQTT topics and the way to a value in a payload: what may be read, and the little that may be published.

The daemon publishes below its own prefix only, and never on a topic that could be a command.
"""

from __future__ import annotations

import re

_COMMAND_LEVELS = frozenset(
    {"ncmd", "dcmd", "cmd", "cmnd", "command", "commands", "control", "rpc", "set", "write"}
    | {"setpoint", "setpoints", "state"}
)
"""Levels by which devices commonly name the topics that they obey; Sparkplug's are NCMD, DCMD, STATE."""


def check_prefix(prefix: str) -> str:
    """Return a topic prefix that the daemon may publish below.

    Parameters
    ----------
    prefix : str
        One or more topic levels, for example ``tegwatch`` or ``plant3/tegwatch``.

    Raises
    ------
    ValueError
        A wildcard, an empty level, a broker's own topic, a Sparkplug name space, or a level that devices
        commonly take as a command.

    Examples
    --------
    >>> check_prefix("plant3/tegwatch")
    'plant3/tegwatch'
    >>> check_prefix("spBv1.0/gas/NCMD")
    Traceback (most recent call last):
    ...
    ValueError: prefix "spBv1.0/gas/NCMD" lies in the Sparkplug name space; use for example "tegwatch"
    """
    advice = 'use for example "tegwatch"'
    if any(character in prefix for character in "+#\0"):
        raise ValueError(f'prefix "{prefix}" holds a wildcard; {advice}')
    levels = prefix.split("/")
    if not all(level.strip() for level in levels):
        raise ValueError(f'prefix "{prefix}" has an empty level; {advice}, without a slash at either end')
    if levels[0].startswith("$"):
        raise ValueError(f'prefix "{prefix}" belongs to the broker; {advice}')
    if any(level.lower().startswith(("spav1", "spbv1")) for level in levels):
        raise ValueError(f'prefix "{prefix}" lies in the Sparkplug name space; {advice}')
    for level in levels:
        if level.lower() in _COMMAND_LEVELS:
            raise ValueError(f'prefix "{prefix}" has the level "{level}", which devices may obey; {advice}')
    return prefix


def may_publish(topic: str, prefix: str) -> bool:
    """Whether a whole topic lies below the prefix and is nothing but levels of plain text."""
    return (
        topic.startswith(f"{prefix}/")
        and not any(character in topic for character in "+#\0")
        and all(topic.split("/"))
    )


def overlaps(topic_filter: str, root: str) -> bool:
    """Whether a subscription could get something that is published below a root topic.

    Examples
    --------
    >>> overlaps("plant/#", "plant/north"), overlaps("+/north/status", "tegwatch/north")
    (True, True)
    >>> overlaps("field/#", "tegwatch/north"), overlaps("tegwatch/north", "tegwatch/north")
    (False, False)
    """
    wanted, levels = topic_filter.split("/"), root.split("/")
    for position, level in enumerate(levels):
        if position >= len(wanted):
            return False
        if wanted[position] == "#":
            return True
        if wanted[position] not in {"+", level}:
            return False
    return len(wanted) > len(levels)


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic is one that a subscription gets (MQTT 3.1.1, section 4.7).

    Examples
    --------
    >>> matches("site/+/temperature", "site/reboiler/temperature"), matches("site/#", "site")
    (True, True)
    >>> matches("#", "$SYS/broker/load")
    False
    """
    if topic.startswith("$") and topic_filter[:1] in {"+", "#"}:
        return False
    wanted, levels = topic_filter.split("/"), topic.split("/")
    for position, level in enumerate(wanted):
        if level == "#":
            return True
        if position >= len(levels) or level not in {"+", levels[position]}:
            return False
    return len(wanted) == len(levels)


def check_filter(topic_filter: str) -> str:
    """Return a subscription filter that MQTT allows.

    Raises
    ------
    ValueError
        Empty, or a wildcard that does not stand where MQTT allows it.
    """
    if not topic_filter or "\0" in topic_filter:
        raise ValueError("a topic must not be empty")
    levels = topic_filter.split("/")
    for position, level in enumerate(levels):
        if level == "#" and position == len(levels) - 1:
            continue
        if level != "+" and any(character in level for character in "+#"):
            raise ValueError(
                f'topic "{topic_filter}": "+" must be a whole level and "#" the whole last level'
            )
    return topic_filter


_PATH_STEP = re.compile(r"(?:^|\.)([^.\[\]]+)|\[(\d+)\]")


def parse_path(text: str) -> tuple[str | int, ...]:
    """Split the way to a value in JSON into names and list positions.

    Raises
    ------
    ValueError
        Not of the form ``values.reboiler`` or ``points[0].v``.

    Examples
    --------
    >>> parse_path("points[0].v")
    ('points', 0, 'v')
    >>> parse_path("[1][2]")
    (1, 2)
    """
    steps: list[str | int] = []
    position = 0
    while position < len(text):
        match = _PATH_STEP.match(text, position)
        if match is None:
            break
        steps.append(match[1] if match[2] is None else int(match[2]))
        position = match.end()
    if position != len(text) or not steps:
        raise ValueError(f'"{text}" is no path; write for example values.reboiler or points[0].v')
    return tuple(steps)


def parse_column(text: str) -> int:
    """Read the number of a CSV column, counted from 1.

    Raises
    ------
    ValueError
        Not a number from 1 to 1000.
    """
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 1000):
        raise ValueError(f'"{text}" is no column number; columns of a CSV payload are counted from 1')
    return int(text)
