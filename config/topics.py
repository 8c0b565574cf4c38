"""Which MQTT topics the daemon may publish on: its own prefix, and never one that could be a command."""

from __future__ import annotations

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
