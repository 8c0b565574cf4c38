"""The one order in which alarms are listed, on the pages and in the terminal."""

from __future__ import annotations

from collections.abc import Iterable

from daemon.web.schemas import AlarmView

PRIORITIES = ("highest", "high", "medium", "low")
UNACKNOWLEDGED = frozenset({"UNACK", "RTNUN", "LUNACK"})
_RANK = {"UNACK": 0, "LUNACK": 0, "RTNUN": 1}
"""What stands unseen comes first, whatever its priority; then what went unseen; then the rest."""


def most_urgent_first(alarms: Iterable[AlarmView]) -> tuple[AlarmView, ...]:
    """Order alarms: annunciated, standing unseen, gone unseen, by priority, the newest first."""
    newest = sorted(alarms, key=lambda alarm: alarm.since or "", reverse=True)
    return tuple(
        sorted(
            newest,
            key=lambda alarm: (
                not alarm.annunciated,
                _RANK.get(alarm.state, 2),
                PRIORITIES.index(alarm.priority),
            ),
        )
    )
