"""Alarms as structured log lines, with event names that a log search can rely on."""

from __future__ import annotations

from collections.abc import Sequence

import structlog

from config.sinks import LogSink as LogSettings
from daemon.model import Entry
from daemon.sinks.base import Selection, Sink, selection_of
from daemon.sinks.documents import Wording

_LEVELS = {"low": "info", "medium": "warning", "high": "error", "highest": "critical"}


class LogSink(Sink):
    """Writes ``alarm`` and ``event`` lines; the level follows the alarm's priority.

    Parameters
    ----------
    settings : config.sinks.LogSink
        Name and filter.
    wording : Wording
        How the site writes its documents.
    """

    def __init__(self, settings: LogSettings, wording: Wording) -> None:
        self._settings = settings
        self._wording = wording
        self._logger = structlog.get_logger("alarms")

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Alarms of the configured priority and events."""
        return selection_of(self._settings)

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Write one line an entry."""
        for entry in entries:
            document = self._wording.document(entry)
            event = str(document.pop("type"))
            if event == "alarm":
                document["transition"] = document.pop("event")
                annunciated = bool(document.pop("annunciated"))
                level = _LEVELS[str(document["priority"])] if annunciated else "info"
            else:
                level = "info"
            getattr(self._logger, level)(event, **document)
