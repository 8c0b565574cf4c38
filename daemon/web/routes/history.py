"""The past: stored values or their statistics, trends for a picture, alarm transitions and events."""

from __future__ import annotations

import datetime
import io
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from typing import Annotated, Any, Literal, TypeVar

from fastapi import FastAPI, HTTPException, Query

from daemon.history_output import headers, site_wording, write_records, write_values
from daemon.journal.errors import JournalError, NotStored, TooManyRows
from daemon.journal.queries import History
from daemon.model import EntryKind
from daemon.times import parse_duration, parse_time, zone_named
from daemon.web.history_service import Busy, HistoryService
from daemon.web.parts import Daemon
from daemon.web.responses import BUSY, NO_UNIT, LongAnswer, scanner_of
from daemon.web.schemas import SeriesView, TrendView
from daemon.web.trends import MOST_POINTS, list_series, trend

MOST_ROWS = 1_000_000
"""Scans, minutes and hours that may be read for one answer."""
LONGEST_SPAN = 400 * 86400.0
"""Longest time that one question may cover [s]."""

_T = TypeVar("_T")

Start = Annotated[
    str,
    Query(
        alias="from",
        max_length=40,
        description="ISO 8601 (without offset: the site's time zone), POSIX seconds, or back from now: -2h.",
        examples=["-8h", "2026-01-31T06:00-07:00"],
    ),
]
End = Annotated[
    str, Query(alias="to", max_length=40, description="As from; this moment itself is not included.")
]
Names = Annotated[
    list[str] | None,
    Query(
        alias="name",
        max_length=60,
        description="Signal or result, repeatable; signal:NAME or result:NAME where a name is both.",
    ),
]
Zone = Annotated[
    str,
    Query(
        max_length=64,
        description="Time zone of what has no offset, of days and hours, and of what is shown; the site's.",
        examples=["America/Denver"],
    ),
]
Form = Annotated[Literal["jsonl", "csv", "json"], Query(alias="format")]
_MEDIA = {"jsonl": "application/jsonl", "csv": "text/csv", "json": "application/json"}
_CONTENT: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Row by row, in the site's units.",
        "content": {
            "application/jsonl": {"schema": {"type": "string"}},
            "text/csv": {"schema": {"type": "string"}},
            "application/json": {"schema": {}},
        },
    }
}


def add_history_routes(api: FastAPI, daemon: Daemon, history: HistoryService) -> None:
    """Add the routes of this subject."""

    @api.get("/v1/units/{unit}/series", tags=["history"], responses=NO_UNIT | BUSY)
    async def series(unit: str) -> list[SeriesView]:
        """Everything that is stored of a unit, by name, and since when."""
        scanner_of(daemon, unit)
        return await asked(history.ask(lambda stored: list_series(stored, daemon.site, unit)))

    @api.get("/v1/units/{unit}/trend", tags=["history"], responses=NO_UNIT | BUSY)
    async def trends(
        unit: str,
        name: Names = None,
        start: Start = "-1h",
        end: End = "now",
        zone: Zone = "",
        points: Annotated[int, Query(ge=2, le=MOST_POINTS)] = 600,
    ) -> TrendView:
        """Return values for a picture: at most ``points`` times, every minimum and maximum kept."""
        scanner_of(daemon, unit)
        since, until = span_of(daemon, start, end, zone)
        wanted = name or []
        if not wanted:
            raise HTTPException(422, "name: say which signals or results; /v1/units/{unit}/series lists them")
        return await asked(
            history.ask(lambda stored: trend(stored, daemon.site, unit, wanted, since, until, points))
        )

    @api.get(
        "/v1/units/{unit}/history",
        tags=["history"],
        response_class=LongAnswer,
        responses=NO_UNIT | BUSY | _CONTENT,
    )
    async def values(
        unit: str,
        name: Names = None,
        start: Start = "-1h",
        end: End = "now",
        every: Annotated[
            str, Query(max_length=20, description="Statistics over this time: 10s, 1min, 1h, 1d.")
        ] = "",
        zone: Zone = "",
        form: Form = "jsonl",
    ) -> LongAnswer:
        """Return stored values, every scan or statistics, with quality; without ``name`` all of the unit.

        A bad value is empty and leaves the statistics; a time without scans has no row. Statistics over an
        hour or more follow the clock of the zone: 1d is from midnight to midnight. Where archive files or
        rows could not be read, the end of the answer says so: a key or a last line ``unreadable``.
        """
        scanner_of(daemon, unit)
        since, until = span_of(daemon, start, end, zone)
        try:
            width = parse_duration(every) if every else None
        except ValueError as error:
            raise HTTPException(422, f"every: {error}") from None
        wording = replace(site_wording(daemon.site, unit), zone=_zone(daemon, zone))

        def prepare(stored: History) -> Callable[[io.TextIOBase], object]:
            columns = stored.resolve(unit, name) if name else stored.columns(unit)
            rows: Any
            if width is None:
                rows = stored.values(unit, columns, since, until, max_rows=MOST_ROWS)
            else:
                rows = stored.buckets(
                    unit, columns, since, until, width, zone=wording.zone, max_rows=MOST_ROWS
                )
            heads = headers(columns, wording)

            def write(out: io.TextIOBase) -> None:
                write_values(rows, heads, form, wording, out, unit, lambda: stored.incomplete)  # type: ignore[arg-type]  # a text file

            return write

        return await _streamed(history, prepare, form)

    @api.get("/v1/records", tags=["history"], response_class=LongAnswer, responses=NO_UNIT | BUSY | _CONTENT)
    async def records(
        start: Start = "-1d",
        end: End = "now",
        zone: Zone = "",
        unit: Annotated[str | None, Query(max_length=64)] = None,
        alarm: Annotated[str | None, Query(max_length=100, description="Only steps of this alarm.")] = None,
        kind: Annotated[Literal["alarm", "event"] | None, Query(description="Only one of the two.")] = None,
        form: Form = "jsonl",
    ) -> LongAnswer:
        """Alarm transitions, operators' actions and events, in the order in which they were kept."""
        if unit is not None:
            scanner_of(daemon, unit)
        since, until = span_of(daemon, start, end, zone)
        wording = replace(site_wording(daemon.site), zone=_zone(daemon, zone))
        kinds = [EntryKind(kind)] if kind else [EntryKind.ALARM, EntryKind.EVENT]

        def prepare(stored: History) -> Callable[[io.TextIOBase], object]:
            try:
                found = stored.records(since, until, kinds=kinds, unit=unit, alarm=alarm)
            except NotStored:
                found = iter(())  # the site has the unit, and nothing has happened there yet
            return lambda out: write_records(found, form, wording, out)  # type: ignore[arg-type]  # a text file

        return await _streamed(history, prepare, form)


def _zone(daemon: Daemon, name: str) -> datetime.tzinfo:
    """Return the zone that a question names, or the site's; answers 422 where there is none such."""
    try:
        return zone_named(name or daemon.site.site.time_zone)
    except ValueError as error:
        raise HTTPException(422, f"zone: {error}") from None


def span_of(daemon: Daemon, start: str, end: str, zone: str = "") -> tuple[float, float]:
    """Return the span that a question names [POSIX s]; answers 422 where it is none or too long."""
    now, where = daemon.clock.wall(), _zone(daemon, zone)
    try:
        since, until = (_moment(text, lambda text: parse_time(text, now, where)) for text in (start, end))
    except (ValueError, OverflowError) as error:
        raise HTTPException(422, f"from, to: {error}") from None
    if not since < until:
        raise HTTPException(422, "from must be before to")
    if until - since > LONGEST_SPAN:
        raise HTTPException(422, f"at most {LONGEST_SPAN / 86400:.0f} days at a time")
    return since, until


def _moment(text: str, parse: Callable[[str], float]) -> float:
    try:
        seconds = float(text)
    except ValueError:
        return parse(text)
    if not abs(seconds) < 1e11:
        raise ValueError(f'"{text}" is no time in POSIX seconds')
    return seconds


async def asked(answer: Awaitable[_T]) -> _T:
    """Return the answer to a question about the past, or answer why there is none."""
    try:
        return await answer
    except Exception as error:
        raise refusal(error) from error


async def _streamed(
    history: HistoryService, prepare: Callable[[History], Callable[[io.TextIOBase], object]], form: str
) -> LongAnswer:
    try:
        pieces: AsyncIterator[bytes] = await history.stream(prepare)
    except Exception as error:
        raise refusal(error) from error
    return LongAnswer(pieces, media_type=_MEDIA[form])


def refusal(error: Exception) -> Exception:
    """Return how a failed question is answered; a defect stays what it is."""
    if isinstance(error, Busy):
        return HTTPException(503, str(error), headers={"Retry-After": "2"})
    if isinstance(error, TooManyRows | NotStored):
        return HTTPException(422, str(error))
    if isinstance(error, JournalError):
        return HTTPException(503, str(error))
    return error
