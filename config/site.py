"""The site file: one site, its controllers, its dehydration units, where its data go.

Text with units ("7 lb/MMscf", "1520 m", "0.5 psi") becomes SI floats here, once; nothing later parses units.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from config.alarms import AlarmEntry
from config.base import Name, StrictModel
from config.controllers import Controller
from config.fields import (
    Duration,
    Fraction,
    GasLiquidRatio,
    GaugeOrAbsolutePressure,
    Length,
    LiquidRate,
    LiquidVolume,
    MoleFraction,
    PressureDifference,
    StrokeRate,
    Temperature,
    WaterContent,
)
from config.signals import Signal
from config.sinks import Sink
from config.web import WebSettings


class PipelineLimit(StrictModel):
    """What the pipeline accepts: a water content, or a dew point at a pressure. Exactly one of the two."""

    water_content: WaterContent | None = None
    """For example "7 lb/MMscf"."""
    dew_point: Temperature | None = None
    """For example "-8 degC"; needs ``pressure``."""
    pressure: GaugeOrAbsolutePressure | None = None
    """Pressure at which a dew point limit holds and margins are shown; default: the contactor's."""


class Gas(StrictModel):
    """What is known of the gas."""

    specific_gravity: Annotated[float, Field(ge=0.55, le=1.2)]
    """Relative to air."""
    carbon_dioxide: MoleFraction = 0.0
    """Mole fraction."""
    hydrogen_sulfide: MoleFraction = 0.0
    """Mole fraction."""
    nitrogen: MoleFraction = 0.0
    """Mole fraction."""


class Contactor(StrictModel):
    """The absorber tower."""

    trays: Annotated[int, Field(ge=1, le=40)] | None = None
    """Number of actual trays; give either this with ``tray_efficiency`` or ``theoretical_stages``."""
    tray_efficiency: Fraction = 0.25
    """Theoretical stages per actual tray; 0.25 is commonly used."""
    theoretical_stages: Annotated[float, Field(gt=0, le=10)] | None = None
    """For packing, or where the stages are known."""
    inside_diameter: Length | None = None
    """For the capacity check."""
    tray_spacing: Length | None = None
    """For the capacity check."""
    minimum_glycol_rate: LiquidRate | None = None
    """Lowest glycol rate that keeps the trays sealed; default: the rule of 2 gal/lb."""


class Reboiler(StrictModel):
    """Reboiler and still column."""

    set_point: Temperature
    """Where the thermostat is set; only watched, never written."""
    still_back_pressure: PressureDifference = 0.0
    """Pressure in the reboiler above the barometric one, where it is not measured."""
    stripping_gas_ratio: GasLiquidRatio = 0.0
    """Stripping gas per glycol, for example "3 scf/gal", where it is not measured."""
    stripping_stages: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Equilibrium stages of a packed stripping column below the reboiler; 0: gas into the reboiler."""
    least_level: Fraction | None = None
    """Reboiler level at which the fire tube is still covered, as a share of the level's range."""
    glycol_changed_on: datetime.date | None = None
    """When the glycol was last changed; another date begins a new count of age and exposure."""


class AcceptedStallRate(StrictModel):
    """A stroke rate below the maker's stall rate that the site has accepted, by whom, when and until when.

    A clean system may hold its dew point below the recommended stall rate. Accepting that is a decision of
    a person, so it is signed and it expires; afterwards the pump's own stall rate counts again.
    """

    stroke_rate: StrokeRate
    """Lowest accepted rate."""
    accepted_by: str
    """Who accepted it."""
    accepted_on: datetime.date
    """When."""
    expires_on: datetime.date
    """Last day on which it holds."""
    reason: str
    """Why it is safe to run below the recommended rate."""


class Pump(StrictModel):
    """One installed glycol pump."""

    name: Name
    """Name of the pump."""
    displacement: LiquidVolume
    """Glycol volume a stroke, before efficiency."""
    stall_rate: StrokeRate
    """Lowest stroke rate that the maker recommends."""
    maximum_rate: StrokeRate
    """Highest stroke rate."""
    volumetric_efficiency: Fraction = 0.95
    """Delivered over displaced volume."""
    drive: Literal["energy exchange", "electric", "gas"] = "energy exchange"
    """What drives it."""
    in_service: bool = True
    """Exactly one pump of a unit is in service."""
    accepted_stall_rate: AcceptedStallRate | None = None
    """A lower rate that the site accepts for a time."""


class DehydrationUnit(StrictModel):
    """One TEG dehydration unit."""

    name: Name
    """Name in alarms, topics and queries."""
    title: str = ""
    """Name for people."""
    scan_period: Duration = 1.0
    """Time between two evaluations."""
    gas: Gas
    """The gas."""
    contactor: Contactor
    """The contactor."""
    reboiler: Reboiler
    """The reboiler and still column."""
    pumps: Annotated[tuple[Pump, ...], Field(min_length=1)]
    """Installed pumps."""
    signals: dict[Name, Signal]
    """Measured values by signal name; ``config.quantities`` lists the names that the calculation knows."""
    alarms: dict[str, AlarmEntry] = {}
    """What differs from the packaged alarm set on this unit, and alarms of its own."""

    @property
    def pump_in_service(self) -> Pump:
        """The pump that is running."""
        return next(pump for pump in self.pumps if pump.in_service)


class SiteInfo(StrictModel):
    """The site as a whole."""

    name: Name
    """Name in topics and queries."""
    title: str = ""
    """Name for people."""
    elevation: Length | None = None
    """Height above sea level, from which the barometric pressure follows; give this or the pressure."""
    barometric_pressure: GaugeOrAbsolutePressure
    """Mean barometric pressure; the loader works it out from ``elevation`` where only that is given."""
    gas_base: Literal[
        "60 degF, 14.696 psia", "60 degF, 14.73 psia", "60 degF, 14.65 psia", "15 degC, 101.325 kPa"
    ] = "60 degF, 14.696 psia"
    """Base conditions at which this site's contracts count a standard cubic foot."""
    unit_system: Literal["us", "si"]
    """Units in which values are shown; every input may carry its own."""
    time_zone: str = "UTC"
    """For display only; everything is stored in UTC."""
    pipeline_limit: PipelineLimit
    """What the pipeline accepts."""


class ArchiveSettings(StrictModel):
    """Where the journal's closed periods are kept, compressed, and for how long."""

    enabled: bool = True
    """Whether there is an archive; without one, scans older than the journal keeps them are deleted."""
    folder: str = "tegwatch-archive"
    """Folder of the archive files; relative to the journal's own folder, with which it can be moved."""
    period: Duration = 86400.0
    """Time that one file holds; an hour to a day, and a day must hold it a whole number of times."""
    keep_scans: Duration = 400 * 86400.0
    """How long every scan is kept."""
    keep_minutes: Duration = 5 * 366 * 86400.0
    """How long statistics over minutes are kept."""
    keep_hours: Duration = 20 * 366 * 86400.0
    """How long statistics over hours are kept."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not 3600.0 <= self.period <= 86400.0 or 86400.0 % self.period:
            raise ValueError('period must be "1 h", "2 h", "3 h", "4 h", "6 h", "8 h", "12 h" or "1 d"')
        if not self.keep_scans <= self.keep_minutes <= self.keep_hours:
            raise ValueError("keep_scans, keep_minutes and keep_hours must not get shorter in this order")
        return self


class JournalSettings(StrictModel):
    """Where everything is kept first."""

    path: str = "tegwatch-journal.sqlite3"
    """File; relative to the site file."""
    keep: Duration = 31 * 86400.0
    """How long scans are kept exactly as they were, for replay and for sinks that are behind."""
    archive: ArchiveSettings = ArchiveSettings()
    """What becomes of scans in the long run."""


class ApiSettings(StrictModel):
    """How other programs on this box reach the daemon."""

    socket: str = "tegwatch.sock"
    """Unix socket; relative to the site file; only the daemon's own user may open it."""


class Site(StrictModel):
    """A whole site file."""

    schema_version: Literal[1]
    """Version of this file's layout."""
    signal_tables: tuple[str, ...] = ()
    """Register maps as CSV, relative to the site file, whose rows are signals of the units below."""
    site: SiteInfo
    """The site."""
    controllers: Annotated[tuple[Controller, ...], Field(min_length=1)]
    """Controllers and brokers."""
    units: Annotated[tuple[DehydrationUnit, ...], Field(min_length=1)]
    """Dehydration units."""
    alarms: dict[str, AlarmEntry] = {}
    """What differs from the packaged alarm set on every unit, and alarms of the site's own."""
    sinks: tuple[Sink, ...] = ()
    """Where alarms and values are sent."""
    journal: JournalSettings = JournalSettings()
    """The journal."""
    api: ApiSettings = ApiSettings()
    """The local API."""
    web: WebSettings | None = None
    """Page and API over TCP; absent means no TCP port is opened."""
