"""One unit over a time as a page that prints: the same report as ``tegwatch report`` writes."""

from __future__ import annotations

from html import escape
from typing import Annotated

from fastapi import FastAPI, Header, HTTPException, Query, Response
from fastapi.responses import HTMLResponse

from daemon.web.parts import Daemon
from daemon.web.report_service import ReportService
from daemon.web.responses import BUSY, NO_UNIT, LongAnswer, Responses, scanner_of
from daemon.web.routes.history import End, Start, refusal, span_of

_CONTENT: Responses = {200: {"description": "The report.", "content": {"text/html": {}}}}
_APART = (
    "default-src 'none'; style-src '{style}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "sandbox"
)
"""The report's own policy: it may do nothing but look as it was written."""


def add_report_routes(api: FastAPI, daemon: Daemon, reports: ReportService) -> None:
    """Add the route of this subject."""

    @api.get(
        "/v1/units/{unit}/report",
        tags=["history"],
        response_class=LongAnswer,
        responses=NO_UNIT | BUSY | _CONTENT,
    )
    async def report(
        unit: str,
        start: Start = "-7d",
        end: End = "now",
        gas_price: Annotated[
            float | None,
            Query(ge=0, le=1e6, description="Worth of 1000 standard cubic feet (us) or a standard m3 (si)."),
        ] = None,
        *,
        save: Annotated[bool, Query(description="Send it as a file to be kept.")] = False,
        accept: Annotated[str, Header(include_in_schema=False)] = "",
    ) -> Response:
        """Write a report: margin, purity, circulation, reboiler, pump, glycol, alarms, data.

        One file without scripts that needs nothing else. A month of one-second scans takes a minute or two;
        one report is written at a time.
        """
        try:
            scanner_of(daemon, unit)
            begin, until = span_of(daemon, start, end)
            try:
                found = await reports.write(unit, begin, until, gas_price)
            except Exception as error:
                raise refusal(error) from error
        except HTTPException as refused:
            if "text/html" not in accept:
                raise
            return HTMLResponse(_said(str(refused.detail)), refused.status_code, headers=refused.headers)
        headers = {"content-security-policy": _APART.format(style=found.style)}
        if save:
            headers["content-disposition"] = f'attachment; filename="{unit}.html"'
        return LongAnswer(found.pieces, media_type="text/html; charset=utf-8", headers=headers)


def _said(reason: str) -> str:
    """Write to a person, in a window of its own, why there is no report."""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>No report</title></head><body>'
        f"<h1>No report</h1><p>{escape(reason)}.</p>"
        '<p><a href="/report">Choose another time</a></p></body></html>'
    )
