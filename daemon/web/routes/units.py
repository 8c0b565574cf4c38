"""The site and its units, as of their newest scans."""

from __future__ import annotations

from fastapi import FastAPI, HTTPException

from daemon.acquisition import UnitScanner
from daemon.web.parts import Daemon
from daemon.web.responses import NO_UNIT, scanner_of
from daemon.web.schemas import SiteView, UnitView
from daemon.web.views import Views, site_view


def add_unit_routes(api: FastAPI, daemon: Daemon, views: Views) -> None:
    """Add the routes of this subject."""

    def shown(one: UnitScanner) -> UnitView | None:
        return views.unit(one.unit, one.latest) if one.latest is not None else None

    @api.get("/v1/site", tags=["units"])
    async def site() -> SiteView:
        """Say what this site is called, which units it has, and in which units of measure it shows values."""
        return site_view(daemon.site, views)

    @api.get("/v1/units", tags=["units"])
    async def units() -> list[UnitView]:
        """Every unit that has been scanned, with its newest values, their quality, age and uncertainty."""
        found = (shown(one) for one in daemon.fleet.scanners.values())
        return [view for view in found if view is not None]

    @api.get("/v1/units/{unit}", tags=["units"], responses=NO_UNIT)
    async def one_unit(unit: str) -> UnitView:
        """One unit's newest values."""
        view = shown(scanner_of(daemon, unit))
        if view is None:
            raise HTTPException(404, f"{unit} has not been scanned yet")
        return view
